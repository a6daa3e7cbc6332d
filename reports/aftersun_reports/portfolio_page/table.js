// The table of sites: sorted and searched in memory, one page of rows in the document.
const PAGE_ROWS = window.innerWidth < 640 ? 10 : 50, NET = 'Net benefit', TO_CALL = 'to call', HAZARD = 'known hazard';
const NAMED = Boolean(SITES.name);

// a known hazard by its name; the notes stand whole on the page of the site
function notesCell(site) {
  const count = siteNotes(site).length;
  const hazard = SITES.danger[site] ? el('div', { class: 'mark' }, warningSign(), ' ', said(hazardsAt(site).join(', '))) : '';
  return el('div', {}, hazard, count ? el('a', { class: 'count', href: siteAddress(site), tabindex: '-1' }, some(count, 'note')) : '');
}

// label, how a cell is written, by what a column is sorted, whether it is a number
const COLUMNS = [
  { label: 'Call', cell: (site) => (known(SITES.call[site]) ? plain(SITES.call[site], 0) : ''), key: (site) => SITES.call[site], num: true, rises: true },
  { label: 'Site', cell: siteLink, key: (site) => SITES.id[site], head: true },
  ...(NAMED ? [
    { label: 'Customer', cell: (site) => said(word(SITES.name, site)), key: (site) => word(SITES.name, site) || null },
    { label: 'Town', cell: (site) => said(word(SITES.town, site)), key: (site) => word(SITES.town, site) || null },
  ] : []),
  { label: 'Best offer', cell: (site) => { const offer = word(SITES.offer, site); return offer ? said(title(offer)) : el('span', { class: 'soft' }, 'none'); },
    key: (site) => (word(SITES.offer, site) ? title(word(SITES.offer, site)) : null), kind: 'offer' },
  { label: NET, cell: (site) => (known(SITES.npv[site]) ? amount(SITES.npv[site]) : ''), key: (site) => SITES.npv[site], num: true },
  { label: '80 % range', cell: (site) => (known(SITES.npv[site]) ? range(SITES.p90[site], SITES.p10[site]) : ''), key: (site) => SITES.p90[site], num: true },
  { label: 'Chance', cell: (site) => (known(SITES.npv[site]) ? chance(SITES.chance[site]) : ''), key: (site) => SITES.chance[site], num: true },
  { label: 'Expected price', cell: (site) => (known(SITES.price[site]) ? plain(SITES.price[site], 0) : ''), key: (site) => SITES.price[site], num: true },
  { label: 'Status', cell: (site) => word(SITES.status, site), kind: 'spare', key: (site) => word(SITES.status, site) },
  { label: 'Safety', cell: notesCell, key: (site) => 1000 * SITES.danger[site] + siteNotes(site).length, kind: 'safety', falls: true },
  { label: 'Not called', cell: (site) => (known(SITES.call[site]) ? '' : contact(site)), kind: 'offer spare', key: (site) => (known(SITES.call[site]) ? null : contact(site)) },
];

// what may be shown: a known hazard is a flag of its own, whatever else a site is
const FILTERS = [
  { label: TO_CALL, of: (site) => known(SITES.call[site]) },
  { label: 'all sites', of: () => true },
  { label: HAZARD, of: (site) => SITES.danger[site] },
  ...DATA.states.map((state, n) => ({ label: state.word, of: (site) => SITES.state[site] === n })).slice(1),
];
const ANY_CALL = SITES.id.some((_, site) => FILTERS[0].of(site));
const view = { by: ANY_CALL ? 0 : COLUMNS.findIndex((column) => column.label === NET), down: !ANY_CALL, words: [], show: ANY_CALL ? 0 : 1, page: 0, rows: [] };
const collator = new Intl.Collator(undefined, { numeric: true, sensitivity: 'base' });
let haystack = null;

// numbers before texts, what is not known always last
function sorted(sites) {
  const column = COLUMNS[view.by], keys = SITES.id.map((_, site) => column.key(site)), sign = view.down ? -1 : 1;
  return sites.sort((a, b) => {
    const left = keys[a], right = keys[b];
    if (!known(left) || !known(right)) return (known(left) ? 0 : 1) - (known(right) ? 0 : 1) || a - b;
    if (typeof left !== typeof right) return sign * (typeof left === 'number' ? -1 : 1);
    return sign * (typeof left === 'number' ? left - right : collator.compare(left, right)) || a - b;
  });
}

function searched(site) {
  if (!haystack) {
    haystack = SITES.id.map((id, place) => [id, NAMED ? `${word(SITES.name, place)} ${word(SITES.town, place)}` : '',
      title(word(SITES.offer, place)), word(SITES.status, place), DATA.states[SITES.state[place]].word, SITES.danger[place] ? HAZARD : '', contact(place)].join('\n').toLocaleLowerCase());
  }
  return view.words.every((part) => haystack[site].includes(part));
}

function shown(site) {
  return FILTERS[view.show].of(site) && searched(site);
}

function find() {
  view.rows = sorted(SITES.id.map((_, site) => site).filter(shown));
  view.page = 0;
  paint();
}

function pages() {
  return Math.max(Math.ceil(view.rows.length / PAGE_ROWS), 1);
}

function paint() {
  const column = COLUMNS[view.by];
  document.querySelectorAll('#sites-table thead th').forEach((head, place) => {
    const mine = place === view.by;
    if (mine) head.setAttribute('aria-sort', view.down ? 'descending' : 'ascending');
    else head.removeAttribute('aria-sort');
    head.querySelector('.arrow').textContent = mine ? (view.down ? '\u25be' : '\u25b4') : '\u21c5';
  });
  const from = view.page * PAGE_ROWS;
  document.querySelector('#sites-table tbody').replaceChildren(...view.rows.slice(from, from + PAGE_ROWS).map((site) => el('tr', {},
    COLUMNS.map((one) => el(one.head ? 'th' : 'td', { class: classOf(one), scope: one.head ? 'row' : null, 'data-head': one.head ? null : one.label }, one.cell(site))))));
  fill('sites-said', `${plain(view.rows.length, 0)} of ${some(COUNT, 'site')}, sorted by ${column.label.toLowerCase()}, ${view.down ? 'downwards' : 'upwards'}. Amounts in ${DATA.format.currency}.`);
  document.getElementById('sites-table').dataset.show = FILTERS[view.show].label.replace(' ', '-');
  fill('page-said', `Page ${view.page + 1} of ${pages()}`);
  document.getElementById('first').disabled = document.getElementById('back').disabled = view.page === 0;
  document.getElementById('last').disabled = document.getElementById('next').disabled = view.page >= pages() - 1;
}

function classOf(column) {
  return [column.num ? 'num' : '', column.kind || '', `of-${column.label.toLowerCase().replace(/[^a-z]+/g, '-').replace(/^-/, '')}`].filter(Boolean).join(' ');
}

function turn(to) {
  view.page = Math.min(Math.max(to, 0), pages() - 1);
  paint();
}

function sortBy(place) {
  view.down = view.by === place ? !view.down : Boolean((COLUMNS[place].num || COLUMNS[place].falls) && !COLUMNS[place].rises);
  view.by = place;
  find();
}

// arrows go from site to site, beyond the last row to the next page
function walk(event) {
  const links = [...document.querySelectorAll('#sites-table tbody th a')], here = links.indexOf(document.activeElement);
  const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
  if (here < 0 || !step) return;
  event.preventDefault();
  const next = here + step;
  if (next < 0 && view.page === 0) return;
  if (next >= links.length && view.page >= pages() - 1) return;
  if (next < 0 || next >= links.length) {
    turn(view.page + step);
    const fresh = document.querySelectorAll('#sites-table tbody th a');
    fresh[step > 0 ? 0 : fresh.length - 1].focus();
  } else links[next].focus();
}

function makeTable() {
  fill('sites-table',
    el('thead', {}, el('tr', {}, COLUMNS.map((column, place) => el('th', { scope: 'col', class: classOf(column), 'data-label': column.label },
      el('button', { type: 'button', on: { click: () => sortBy(place) } }, column.label, el('span', { class: 'arrow', 'aria-hidden': 'true' })))))),
    el('tbody', { on: { keydown: walk } }));
  fill('show', FILTERS.map((filter, n) => el('option', { value: String(n), selected: n === view.show }, filter.label)));
  let waiting = 0;
  document.getElementById('search').addEventListener('input', (event) => {
    window.clearTimeout(waiting);
    waiting = window.setTimeout(() => {
      view.words = event.target.value.toLocaleLowerCase().split(/\s+/).filter(Boolean);
      find();
    }, 80);
  });
  document.getElementById('show').addEventListener('change', (event) => { view.show = Number(event.target.value); find(); });
  const buttons = { first: () => turn(0), back: () => turn(view.page - 1), next: () => turn(view.page + 1), last: () => turn(pages() - 1) };
  Object.entries(buttons).forEach(([id, act]) => document.getElementById(id).addEventListener('click', act));
  let before = 0; // paper shows the first rows of the order that is chosen
  window.addEventListener('beforeprint', () => { before = view.page; turn(0); });
  window.addEventListener('afterprint', () => turn(before));
  find();
}
