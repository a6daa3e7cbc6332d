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
  const counted = el('p', {}, `At ${plain(offers, 0)} of ${some(COUNT, 'site')} something pays for the owner${more}; ${plain(DATA.month.calls, 0)} are on the list of calls.`);
  if (!total) {
    fill('totals-body', counted, el('p', {}, DATA.drawn ? 'No retrofit is worth offering anywhere, so there is nothing to add up.' : `The net benefit of all together, and how sure it is: ${NOT_DRAWN} in this run. Rank with ranges to see it.`));
    return;
  }
  fill('totals-body', el('ul', { class: 'figures' },
    el('li', {}, el('b', {}, money(total.npv)), 'net benefit of all owners together'),
    el('li', {}, el('b', {}, range(total.p90, total.p10)), '80 % range (P90 to P10)'),
    el('li', {}, el('b', {}, plain(total.offers, 0)), 'sites whose best single retrofit is added up')),
  el('p', {}, 'Prices, weather and what is assumed of a retrofit would be wrong for all sites at once; the range counts that.'), counted);
}

// a slim band with the count; names and whole texts stand further down
function fillHazards() {
  const sites = new Set(DATA.known.flatMap((one) => one.sites));
  if (!DATA.known.length) { fill('hazards-body', el('p', {}, 'None is known in this portfolio. That is not to say that there is none.')); return; }
  fill('hazard-band', el('p', { class: 'band' }, warningSign(), ' ', el('strong', {}, `${some(sites.size, 'site')} with a known hazard: `),
    said(DATA.known.map((one) => `${one.hazard} ${plain(one.sites.length, 0)}`).join(', ')), '. Notify the owners first. ', el('a', { href: '#hazards' }, 'Which, and what to do')));
  fill('hazards-body', el('p', {}, `The owners of ${some(sites.size, 'site')} are notified, whether or not anything is sold, and without sales talk.`),
    DATA.known.map((one) => el('div', { class: 'danger' }, el('h3', {}, warningSign(), ' ', said(one.hazard)), note(DATA.notes[one.note]),
      el('p', { class: 'sites-list' }, `${some(one.sites.length, 'site')}: `, one.sites.map((site) => [siteLink(site), ' '])))));
}

function fillRetrofits() {
  const rows = DATA.value.filter((row) => row.retrofit !== '').sort((a, b) => b.npv - a.npv);
  if (!rows.length) { fill('retrofits-body', el('p', {}, DATA.drawn ? 'There is no offer.' : `Net benefit and range over the portfolio: ${NOT_DRAWN} in this run.`)); return; }
  const total = DATA.value.find((row) => row.retrofit === '');
  fill('retrofits-body', el('div', { class: 'pair' }, table(`Best single retrofit of each site, added up, ${DATA.format.currency}`,
    ['retrofit', { num: 'offers' }, { num: 'net benefit' }, { num: '80 % range' }],
    [...rows, ...(total ? [total] : [])].map((row) => [row.retrofit ? title(row.retrofit) : 'All together', { num: plain(row.offers, 0) }, { num: amount(row.npv) }, { num: range(row.p90, row.p10) }])),
  figure('retrofits-chart', `Net benefit of each retrofit over the portfolio: the diamond is what is expected, the line its 80 % range (${DATA.format.currency}).`)));
}

const BANDS = ['below P90', 'P90 to promise', 'promise to P10', 'above P10'];

// what done work delivered; the part is there only where some was measured
function fillDelivered() {
  const rows = DATA.delivered, share = (value) => `${plain(100 * value, 0)}\u00a0%`, reach = (low, high) => `${plain(100 * low, 0)} to ${share(high)}`;
  if (!rows.length) return;
  for (const id of ['delivered-part', 'delivered-link']) document.getElementById(id).hidden = false;
  const ranged = rows.filter((row) => known(row.bands[0]));
  fill('delivered-body', el('p', {}, 'By the meters before and after the work. The roofs with the best promises were chosen, and luck is part of a promise: of roofs as they are expect the share of all roofs.'),
    table('Energy gained a year, and its share of the promise with 90 % interval', ['retrofit', { num: 'works' }, { num: 'promised, kWh' }, { num: 'delivered, kWh' }, { num: 'came at these roofs' }, { num: 'expect of all roofs' }],
      rows.map((row) => [title(row.retrofit), { num: plain(row.works, 0) }, { num: plain(row.promised_kwh, 0) }, { num: plain(row.delivered_kwh, 0) },
        { num: `${share(row.came)} (${reach(row.came_low, row.came_high)})` }, { num: `${share(row.all_roofs)} (${reach(row.all_roofs_low, row.all_roofs_high)})` }])),
    el('div', { class: 'pair' }, figure('forest-chart', 'What came of the promise, in per cent, with 90 % intervals: circles for the roofs where work was done, diamonds for what to expect of all roofs. The broken line is the promise.'),
      ranged.length ? figure('bands-chart', 'How good the ranges were: the share of works below P90, from there to the promise, from there to P10, and above it. The broken lines are where good ranges have their borders: 10, 50 and 90 %.') : ''));
}

// one bar for each capacity: what the calls take of what can be booked
function bar(one) {
  const full = Math.max(one.bookable, one.used + one.short, 0.001), used = Math.min(one.used / full, 1), said_ = `${one.name}: ${plain(one.used, 1)} of ${plain(one.bookable, 1)}`;
  const more = [one.binding ? 'the next job does not fit' : '', one.short > 0 ? `safety matters need ${plain(one.short, 1)} more` : ''].filter(Boolean).join('; ');
  const filled = el('span', { class: `used ${one.binding || one.short > 0 ? 'full' : ''}` });
  filled.style.width = `${100 * used}%`;
  return el('li', {}, el('span', { class: 'name' }, said(one.name)), el('span', { class: 'bar', role: 'img', 'aria-label': said_ }, filled),
    el('span', { class: 'share' }, `${plain(one.used, 1)} of ${plain(one.bookable, 1)}`, more ? el('strong', {}, `, ${more}`) : ''));
}

function fillMonth() {
  const plan = DATA.month.plan[0], hazards = SITES.id.filter((_, site) => known(SITES.call[site]) && SITES.danger[site]).length;
  const left = DATA.month.not_called.reduce((total, row) => total + row.sites, 0);
  fill('month-body', el('ul', { class: 'figures' },
    el('li', {}, el('b', {}, plain(DATA.month.calls, 0)), DATA.month.calls === 1 ? 'call' : 'calls'),
    el('li', {}, el('b', {}, plain(hazards, 0)), 'of them about known hazards'),
    plan && known(plan.value) ? el('li', {}, el('b', {}, money(plan.value)), 'to the company on average, after travel') : ''),
  DATA.month.capacities.length ? el('ul', { class: 'bars' }, DATA.month.capacities.map(bar)) : el('p', {}, 'The company file limits nothing this month.'),
  plan && plan.shortage ? el('p', {}, said(plan.shortage)) : '',
  left ? el('details', {}, el('summary', {}, `${some(left, 'site')} not called, and why`), table('Sites that are not called, by reason', ['reason', { num: 'sites' }], DATA.month.not_called.map((row) => [row.reason, { num: plain(row.sites, 0) }]))) : '');
}

function fillCharts() {
  const sites = SITES.id.map((_, site) => site);
  const sure = sites.filter((site) => known(SITES.chance[site]) && known(SITES.npv[site])), placed = sites.filter((site) => known(SITES.latitude[site]) && known(SITES.longitude[site]));
  fill('certainty-body', sure.length ? figure('certainty-chart', `Each mark is the best offer of a site (${some(sure.length, 'site')}): the further right, the more certain a gain; the higher, the more it brings. A mark opens its site; the table of sites holds the same figures.`, stateKey(sure))
    : el('p', {}, DATA.drawn ? 'There is no offer to show.' : `How sure the offers are: ${NOT_DRAWN} in this run.`));
  fill('map-body', figure('map-chart', `${some(placed.length, 'site')} by position, north above, with the larger towns. A mark opens its site.`, stateKey(placed)));
  const queue = [() => drawDelivered(DATA.delivered), () => drawRetrofits(DATA.value.filter((row) => row.retrofit !== '').sort((a, b) => b.npv - a.npv)), () => sure.length && drawCertainty(sure), () => placed.length && drawMap(placed)];
  const step = () => { const act = queue.shift(); if (act) { act(); window.setTimeout(step, 0); } else document.documentElement.dataset.charts = 'drawn'; };
  window.setTimeout(step, 0);
}

function fillReading() {
  const lines = [
    'Net benefit is the net present value (NPV) to the owner over the life of the retrofit: at today\u2019s prices, tax included, less the price of the work. The expected price counts parts that are fitted only if needed at their chance. Net benefit is the mean over all that was drawn; without ranges it takes the usual value of each assumption. A loss is shown as it is.',
    'The 80 % range goes from P90, exceeded with 90 %, to P10, exceeded with 10 %; between them lie eight cases of ten. Chance is that of any gain at all. \u201cNot drawn\u201d means that the run did not calculate how sure it is; it does not mean zero. Where a gain is below a quarter of the cost, only yes/no facts and the yield are drawn: no number within its range would turn the advice, and the true range is wider.',
    'The best offer of a site is the one with the highest net benefit, alone or as a set done in one visit. Where only a safety remedial stands, the owner is notified and nothing is sold.',
    'Safety notes belong to the offer beside them and are part of the advice; the page of a site has them in full. Danger, warning and caution have the colours of ISO 3864 and ANSI Z535: white on red, black on orange, black on yellow.',
    'Energy is that of one typical year, hour by hour, as the system stands today or with the offer as new. Nothing on this page is calculated anew: it shows one stored run.',
    'In the table: Tab goes from control to control, Enter sorts or opens, arrow up and down go from site to site. Back in the browser returns to where you were.',
  ];
  fill('reading-body', lines.map((line) => el('p', {}, line)));
  fill('notes-body', el('p', {}, 'Every note that stands with any retrofit of this run. Local codes and licensed practice come first; these notes replace neither.'), DATA.notes.map((one) => note(one)));
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
fillHazards();
fillRetrofits();
fillDelivered();
fillMonth();
fillReading();
makeTable();
window.addEventListener('hashchange', go);
go();
fillCharts();
document.documentElement.dataset.page = 'ready';
