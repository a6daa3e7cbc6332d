// Reads what the page carries in small: dictionaries, sentences without their numbers, packed bytes.
const SITES = DATA.sites, COUNT = SITES.id.length;

function word(column, place) {
  const of = column.of[place];
  return of < 0 ? '' : column.words[of];
}

function sentence(column, place) {
  const text = word(column, place);
  if (!text.includes(column.hole)) return text;
  const numbers = column.numbers[place].split(column.hole);
  return text.split(column.hole).map((part, n) => (n ? numbers[n - 1] : '') + part).join('');
}

const starts = new Map();

// the rows that a table has of one site, as objects
function rowsOf(name, site) {
  const packedTable = DATA.details[name];
  if (!starts.has(name)) {
    let sum = 0;
    starts.set(name, packedTable.count.map((count) => { const from = sum; sum += count; return from; }));
  }
  const from = starts.get(name)[site], rows = [];
  for (let place = from; place < from + packedTable.count[site]; place += 1) {
    const row = {};
    for (const [key, column] of Object.entries(packedTable.numbers)) row[key] = column[place];
    for (const [key, column] of Object.entries(packedTable.texts)) row[key] = word(column, place);
    for (const [key, column] of Object.entries(packedTable.told)) row[key] = sentence(column, place);
    rows.push(row);
  }
  return rows;
}

// the numbers of a packed row, or null
function unpack(name, site) {
  const block = DATA.details[name], row = block.row[site];
  if (row < 0) return null;
  const signs = block.width * 2 / 3 * 4;
  const bytes = atob(block.bytes.slice(row * signs, (row + 1) * signs));
  return Array.from({ length: block.width }, (_, n) => (
    (bytes.charCodeAt(2 * n) + 256 * bytes.charCodeAt(2 * n + 1)) * block.scale[row]));
}

function notesOf(set) {
  return set.map((place) => DATA.notes[place]);
}

function siteNotes(site) {
  return notesOf(SITES.note_sets[SITES.notes[site]]);
}

function siteAddress(site) {
  return `#site=${encodeURIComponent(SITES.id[site])}`;
}

function siteLink(site) {
  return el('a', { href: siteAddress(site) }, said(SITES.id[site]));
}

function contact(site) {
  const call = SITES.call[site];
  if (known(call)) return `call ${call}`;
  return word(SITES.not_called, site) || 'loaded after the run';
}

// the sign that the page has once, wherever it is shown
function warningSign() {
  const space = document.getElementById('warning-sign').namespaceURI;
  const sign = document.createElementNS(space, 'svg'), use = document.createElementNS(space, 'use');
  sign.setAttribute('class', 'sign');
  sign.setAttribute('aria-hidden', 'true');
  use.setAttribute('href', '#warning-sign');
  sign.append(use);
  return sign;
}

// one safety note, whole; of: the work that it belongs to
function note(one, of) {
  return el('div', { class: 'note' }, el('p', {},
    el('strong', { class: `severity ${one.severity}` }, one.severity.toUpperCase()), ' ', said(one.text), ' ',
    one.who ? el('span', {}, 'Who: ', said(one.who), '.') : '', of ? el('span', { class: 'soft' }, ' For: ', said(of), '.') : ''));
}

// the names of the hazards known at a site
function hazardsAt(site) {
  return DATA.known.filter((one) => one.sites.includes(site)).map((one) => one.hazard);
}
