// Fills the portfolio and goes from it to single sites and back.
function fillHeader() {
  fill('company', 'Portfolio: ', said(DATA.company));
  fill('subtitle', `${some(COUNT, 'site')}, as of ${DATA.run.as_of}. `, DATA.personal
    ? 'Holds names and towns of customers: please keep it confidential.' : 'Without names and addresses; numbers of sites are pseudonyms, positions are rough.');
  fill('failures', DATA.run.failures.map((one) => el('p', { class: 'alert' }, 'Failed in this run, its results are missing: ',
    said(`${one.plugin}, ${one.during}${one.reason ? `: ${one.reason}` : ''}`))));
  fill('run-body', terms(DATA.run.facts.map((fact) => [fact.label, fact.texts])));
}

function fillTotals() {
  const total = DATA.value.find((row) => row.retrofit === '');
  const [offers, asked] = DATA.worth_it;
  const more = asked ? `, ${plain(asked, 0)} more if the customer is asked first and the answers allow it` : '';
  const counted = el('p', {}, `${plain(offers, 0)} of ${some(COUNT, 'site')} have an offer that is worth something to the owner${more}; ${plain(DATA.month.calls, 0)} are on the list of calls.`);
  if (!total) {
    fill('totals-body', counted, el('p', {}, DATA.drawn ? 'No retrofit is worth offering anywhere, so there is nothing to add up.' : `How much it is worth together, and how sure that is: ${NOT_DRAWN} in this run. Rank with ranges to see it.`));
    return;
  }
  fill('totals-body', el('ul', { class: 'figures' },
    el('li', {}, el('b', {}, money(total.npv)), 'expected worth together'),
    el('li', {}, el('b', {}, money(total.p90)), 'exceeded with 90 % (P90)'),
    el('li', {}, el('b', {}, money(total.p10)), 'exceeded with 10 % (P10)'),
    el('li', {}, el('b', {}, plain(total.offers, 0)), 'sites whose best single retrofit is added up')),
  el('p', {}, 'These sums are not surer than their parts. Prices, weather and what is assumed of a retrofit are wrong for all sites at once if they are wrong, so ups and downs of single sites cancel out only in part; the range counts that.'), counted);
}

function fillDangers() {
  const sites = new Set(DATA.known.flatMap((one) => one.sites));
  if (!DATA.known.length) { fill('dangers-body', el('p', {}, 'None is known in this portfolio. That is not to say that there is none.')); return; }
  fill('dangers-body', el('p', {}, `The owners of ${some(sites.size, 'site')} are told, whether or not anything is sold, and without sales talk.`),
    DATA.known.map((one) => el('div', { class: 'danger' }, note(DATA.notes[one.note]),
      el('p', { class: 'sites-list' }, `${some(one.sites.length, 'site')}: `, one.sites.map((site) => [siteLink(site), ' '])))));
}

function fillRetrofits() {
  const rows = DATA.value.filter((row) => row.retrofit !== '').sort((a, b) => b.npv - a.npv);
  if (!rows.length) { fill('retrofits-body', el('p', {}, DATA.drawn ? 'There is no offer.' : `Worth and range over the portfolio: ${NOT_DRAWN} in this run.`)); return; }
  const total = DATA.value.find((row) => row.retrofit === '');
  fill('retrofits-body', el('div', { class: 'pair' }, table(`Best single retrofit of each site, added up, ${DATA.format.currency}`,
    ['retrofit', { num: 'offers' }, { num: 'expected worth together' }, { num: 'P90 .. P10' }],
    [...rows, ...(total ? [total] : [])].map((row) => [row.retrofit ? title(row.retrofit) : 'All together', { num: plain(row.offers, 0) }, { num: amount(row.npv) }, { num: range(row.p90, row.p10) }])),
  figure('retrofits-chart', `Worth of each retrofit over the portfolio: the diamond is what is expected, the line goes from P90 to P10 (${DATA.format.currency}).`)));
}

function fillMonth() {
  const parts = DATA.month.capacities.map((one) => {
    const more = [one.binding ? 'short of it' : '', one.short > 0 ? `safety matters need ${plain(one.short, 1)} beyond it` : ''].filter(Boolean).join('; ');
    return `${one.name} ${plain(one.used, 1)} of ${plain(one.bookable, 1)}${more ? ` (${more})` : ''}`;
  });
  const plan = DATA.month.plan[0];
  fill('month-body', el('p', {}, `${some(DATA.month.calls, 'call')}. `, plan && known(plan.value) ? `Together they bring the company ${money(plan.value)} on average, after travel. ` : '',
    parts.length ? ['Expected use of what can be booked: ', said(parts.join(', ')), '.'] : 'The company file limits nothing this month.'),
  plan && plan.shortage ? el('p', {}, said(plan.shortage)) : '',
  DATA.month.not_called.length ? table('Sites that are not called, by reason', ['reason', { num: 'sites' }], DATA.month.not_called.map((row) => [row.reason, { num: plain(row.sites, 0) }])) : '');
}

function fillCharts() {
  const sites = SITES.id.map((_, site) => site);
  const sure = sites.filter((site) => known(SITES.chance[site]) && known(SITES.npv[site])), placed = sites.filter((site) => known(SITES.latitude[site]) && known(SITES.longitude[site]));
  fill('certainty-body', sure.length ? figure('certainty-chart', `Each mark is the best offer of a site (${some(sure.length, 'site')}): the further right, the surer a gain; the higher, the more it is worth. A mark opens its site; the table of sites holds the same figures.`, stateKey(sure))
    : el('p', {}, DATA.drawn ? 'There is no offer to show.' : `How sure the offers are: ${NOT_DRAWN} in this run.`));
  fill('map-body', figure('map-chart', `${some(placed.length, 'site')} by position, north above, drawn without a map beneath. A mark opens its site.`, stateKey(placed)));
  const queue = [() => drawRetrofits(DATA.value.filter((row) => row.retrofit !== '').sort((a, b) => b.npv - a.npv)), () => sure.length && drawCertainty(sure), () => placed.length && drawMap(placed)];
  const step = () => { const act = queue.shift(); if (act) { act(); window.setTimeout(step, 0); } else document.documentElement.dataset.charts = 'drawn'; };
  window.setTimeout(step, 0);
}

function fillReading() {
  const lines = [
    'Worth is net present value for the owner over the life of the retrofit: at today\u2019s prices, tax included, less the price of the work. The expected worth is the mean over all that was drawn; without ranges it takes the usual value of each assumption. A negative worth is shown as it is.',
    'P90 is exceeded with 90 %, P10 with 10 %; between them lie eight cases of ten. Chance is that of any gain at all. \u201cNot drawn\u201d means that the run did not calculate how sure it is; it does not mean zero. Where a gain is below a quarter of the cost, only yes/no facts and the yield are drawn: no number within its range would turn the advice, and the true range is wider.',
    'The best offer of a site is the one worth most, alone or as a set done in one visit. Where only a remedy of a known danger stands, it is told and not sold.',
    'Letters and numbers such as D1 or W3 name the safety notes above; D = danger, W = warning, C = caution. They belong to the offer beside them and are part of the advice.',
    'Energy is that of one typical year, hour by hour, as the system stands today or with the offer as new. Nothing on this page is calculated anew: it shows one stored run.',
    'In the table: Tab goes from control to control, Enter sorts or opens, arrow up and down go from site to site. Back in the browser returns to where you were.',
  ];
  fill('reading-body', lines.map((line) => el('p', {}, line)));
  fill('notes-body', el('p', {}, 'Every note that stands with any retrofit of this run. Local codes and licensed practice come first; these notes replace neither.'), DATA.notes.map(note));
}

const places = new Map(SITES.id.map((id, site) => [id, site]));
let left = { top: 0, address: '' };

function go() {
  const address = window.location.hash, portfolio = document.getElementById('portfolio'), article = document.getElementById('site');
  let id = null;
  if (address.startsWith('#site=')) {
    try { id = decodeURIComponent(address.slice(6)); } catch (error) { id = address.slice(6); }
  }
  document.getElementById('parts').hidden = id !== null;
  if (id === null) {
    const returned = portfolio.hidden;
    portfolio.hidden = false;
    article.hidden = true;
    article.replaceChildren();
    document.title = `Portfolio: ${DATA.company}`;
    if (returned) {
      window.scrollTo({ top: left.top, behavior: 'instant' });
      const link = [...document.querySelectorAll('#portfolio a')].find((one) => one.getAttribute('href') === left.address);
      if (link) link.focus({ preventScroll: true });
      window.dispatchEvent(new Event('resize')); // charts first drawn while hidden take their width now
    }
    return;
  }
  if (!portfolio.hidden) left = { top: window.scrollY, address };
  portfolio.hidden = true;
  article.hidden = false;
  if (places.has(id)) showSite(places.get(id));
  else fill('site', el('h2', { id: 'site-head', tabindex: '-1' }, 'No such site'), el('p', {}, el('a', { href: '#sites' }, '\u2190 All sites')), el('p', {}, 'There is no site ', said(id), ' on this page.'));
  document.title = `Site ${id}: ${DATA.company}`;
  window.scrollTo({ top: 0, behavior: 'instant' });
  document.getElementById('site-head').focus({ preventScroll: true });
}

document.getElementById('skip').addEventListener('click', (event) => { event.preventDefault(); document.getElementById('main').focus(); });
fillHeader();
fillTotals();
fillDangers();
fillRetrofits();
fillMonth();
fillReading();
makeTable();
window.addEventListener('hashchange', go);
go();
fillCharts();
document.documentElement.dataset.page = 'ready';
