// Writes numbers as the company does, and builds elements from texts alone: no data ever becomes markup.
const DATA = JSON.parse(document.getElementById('data').textContent);
const MINUS = '\u2212', NOT_DRAWN = 'not drawn', NOT_KNOWN = 'not known';

function known(value) {
  return value !== null && value !== undefined;
}

function plain(value, decimals) {
  const fixed = Math.abs(value).toFixed(decimals);
  const [whole, part] = fixed.split('.');
  const grouped = whole.replace(/\B(?=(\d{3})+$)/g, DATA.format.thousands);
  const sign = value < 0 && Number(fixed) !== 0 ? MINUS : '';
  return sign + grouped + (part ? DATA.format.decimal + part : '');
}

// an amount that was calculated: in whole units, in hundreds from 10,000 on
function amount(value) {
  if (Math.abs(value) >= 10000) return plain(Math.round(value / 100) * 100, 0);
  return plain(value, Math.abs(value) >= 10 || value === 0 ? 0 : 2);
}

function inCurrency(text) {
  return DATA.format.currency_first ? `${DATA.format.currency}\u00a0${text}` : `${text}\u00a0${DATA.format.currency}`;
}

function money(value) {
  return known(value) ? inCurrency(amount(value)) : NOT_KNOWN;
}

// a price is exact, in whole units
function price(value) {
  return known(value) ? inCurrency(plain(value, 0)) : NOT_KNOWN;
}

function percent(value, otherwise) {
  if (!known(value)) return otherwise || NOT_DRAWN;
  const hundred = 100 * value;
  return `${plain(hundred, Number.isInteger(Math.round(hundred * 10) / 10) ? 0 : 1)}\u00a0%`;
}

// a chance in whole percent; one near 0 or 1 is never written as certain
function chance(value, otherwise) {
  if (!known(value)) return otherwise || NOT_DRAWN;
  if (value > 0.99) return 'over 99\u00a0%';
  return value < 0.01 ? 'under 1\u00a0%' : `${plain(100 * value, 0)}\u00a0%`;
}

// so many of something: 1 site, 2 sites
function some(count, thing) {
  return `${plain(count, 0)} ${thing}${count === 1 ? '' : 's'}`;
}

function years(value, decimals) {
  const written = plain(value, decimals);
  return `${written} ${written === plain(1, decimals) ? 'year' : 'years'}`;
}

function kwh(value) {
  return known(value) ? `${plain(value, 0)}\u00a0kWh` : NOT_KNOWN;
}

function range(low, high) {
  return known(low) && known(high) ? `${amount(low)} to ${amount(high)}` : NOT_DRAWN;
}

function membersOf(offer) {
  return DATA.members[offer] || [offer];
}

function title(offer) {
  return membersOf(offer).map((id) => DATA.titles[id] || id).join(' and ');
}

// Texts stand in a <bdi>: a name written from right to left cannot turn what stands beside it.
function el(tag, attributes, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes || {})) {
    if (name === 'on') Object.entries(value).forEach(([event, act]) => element.addEventListener(event, act));
    else if (value === true) element.setAttribute(name, '');
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(name, value);
  }
  element.append(...children.flat(Infinity).filter((child) => known(child) && child !== ''));
  return element;
}

function said(text) {
  const element = document.createElement('bdi');
  element.textContent = text;
  if (/\S{24}/.test(text)) element.className = 'long';
  return element;
}

function fill(id, ...children) {
  const element = document.getElementById(id);
  element.replaceChildren(...children.flat(Infinity).filter((child) => known(child) && child !== ''));
  return element;
}

// rows: arrays of cells; a cell is a text, a node, or {num: text}
function table(caption, heads, rows, kind) {
  const cell = (value, place) => {
    const tag = place ? 'td' : 'th', head = heads[place];
    const scope = place ? { 'data-head': head.num || head } : { scope: 'row' };
    if (value && value.num !== undefined) return el(tag, { class: 'num', ...scope }, value.num);
    if (value && value.wide !== undefined) return el(tag, { class: 'wide', ...scope }, value.wide);
    return el(tag, scope, typeof value === 'string' ? said(value) : value);
  };
  return el('div', { class: 'box', role: 'region', 'aria-label': caption, tabindex: '0' }, el('table', { class: kind },
    el('caption', {}, caption),
    el('thead', {}, el('tr', {}, heads.map((head) => (head.num !== undefined
      ? el('th', { scope: 'col', class: 'num' }, head.num) : el('th', { scope: 'col' }, head))))),
    el('tbody', {}, rows.map((row) => el('tr', {}, row.map((value, place) => cell(value, place)))))));
}

function terms(pairs) {
  return pairs.flatMap(([term, texts]) => [el('dt', {}, term),
    el('dd', {}, [texts].flat().map((text) => el('p', {}, typeof text === 'string' ? said(text) : text)))]);
}
