// The page of one site.
const BY_CHANCE = 'average, not known whether at this site';
const COLUMNS_OF_MONTH = ['generated', 'used on site', 'to hot water', 'exported', 'bought'];

function everyMonth(numbers, column) {
  return MONTHS.map((_, month) => numbers[5 * month + column]);
}

function showSite(site) {
  const charts = [];
  fill('site',
    el('h2', { id: 'site-head', tabindex: '-1' }, 'Site ', said(SITES.id[site])),
    el('p', { class: 'no-print' }, el('a', { href: '#sites' }, '\u2190 All sites')),
    siteDangers(site), siteSummary(site), siteOffers(site), siteRetrofits(site), siteQuestions(site),
    siteEnergy(site, charts), siteFacts(site), siteSafety(site));
  charts.forEach((act) => act());
}

function siteSummary(site) {
  const call = rowsOf('calls', site)[0], offer = word(SITES.offer, site), lines = [];
  if (NAMED && (word(SITES.name, site) || word(SITES.town, site))) {
    lines.push(el('p', {}, el('strong', {}, said(word(SITES.name, site))), word(SITES.town, site) ? ', ' : '', said(word(SITES.town, site))));
  }
  if (call && known(call.position)) {
    lines.push(el('p', {}, `Call ${call.position} of the month, about `, said(title(call.retrofit) || 'a system that stands still'), '. ', said(call.sentence)));
  } else lines.push(el('p', {}, 'Not called: ', said(contact(site)), '.'));
  if (!offer) return [lines, el('p', {}, `No offer: ${word(SITES.status, site)}.`)];
  const told = SITES.npv[site] > 0 ? '' : el('p', {}, 'A safety matter: the owner is notified, and it is not sold for its net benefit.');
  return [lines, told, el('ul', { class: 'figures' },
    el('li', {}, el('b', {}, said(title(offer))), `best offer: ${word(SITES.status, site)}`, SITES.danger[site] ? el('strong', {}, '; first: the hazard above') : ''),
    el('li', {}, el('b', {}, money(SITES.npv[site])), 'net benefit to the owner'),
    el('li', {}, el('b', {}, range(SITES.p90[site], SITES.p10[site])), '80 % range of the net benefit'),
    el('li', {}, el('b', {}, chance(SITES.chance[site])), 'chance of a gain'),
    el('li', {}, el('b', {}, price(SITES.price[site])), 'expected price, tax included'))];
}

function siteDangers(site) {
  const mine = DATA.known.filter((one) => one.sites.includes(site)).map((one) => DATA.notes[one.note]);
  if (!mine.length) return '';
  return el('div', { class: 'danger' }, el('h3', {}, warningSign(), ' There is a known hazard here: notify the owner, whatever is sold'), mine.map((one) => note(one)));
}

function siteOffers(site) {
  const offers = rowsOf('offers', site), members = rowsOf('members', site);
  if (!offers.length) return '';
  return [el('h3', {}, 'Offers'), offers.map((offer) => {
    const mine = members.filter((one) => one.offer === offer.offer);
    return el('div', { class: 'card' }, el('h4', {}, said(title(offer.offer))),
      el('p', {}, `Net benefit ${money(offer.npv)} over ${known(offer.years) ? years(offer.years, 0) : `years that are ${NOT_KNOWN}`}; 80 % range ${range(offer.npv_p90, offer.npv_p10)}; `
        + `chance of a gain ${chance(offer.chance_npv_positive)}; expected price ${price(offer.upfront)}; ${money(offer.first_year_saving)} in the first year.`),
      offer.told === 'yes' ? el('p', {}, 'It ends a known hazard: the owner is notified, whatever it brings.') : '',
      mine.length > 1 ? table(`Parts of this offer, ${DATA.format.currency}`, ['part', { num: 'net benefit alone' }, { num: 'adds to the offer' }],
        mine.map((one) => [title(one.retrofit), { num: known(one.npv_alone) ? amount(one.npv_alone) : NOT_KNOWN }, { num: amount(one.npv_added) }])) : '',
      el('p', {}, `${some(notesOfMembers(site, membersOf(offer.offer)).length, 'safety note')}, in full below.`));
  })];
}

function notesOfMembers(site, members) {
  const sets = rowsOf('retrofits', site).filter((row) => members.includes(row.retrofit) && row.notes >= 0);
  return notesOf([...new Set(sets.flatMap((row) => DATA.sets[row.notes]))].sort((a, b) => a - b));
}

function siteRetrofits(site) {
  const rows = rowsOf('retrofits', site);
  if (!rows.length) return [el('h3', {}, 'Retrofits'), el('p', {}, 'None could be valued here.')];
  const tell = (row) => {
    const gain = Math.abs(row.energy_gain_kwh) >= 0.5 ? ` Generation changes by ${row.energy_gain_kwh > 0 ? '+' : ''}${kwh(row.energy_gain_kwh)} a year as new.` : '';
    const water = row.to_water_kwh >= 0.5 ? ` ${kwh(row.to_water_kwh)} more a year go to the hot-water store.` : '';
    const back = known(row.npv) ? ` Discounted payback: ${known(row.discounted_payback_years) ? years(row.discounted_payback_years, 1) : row.upfront > 0 ? 'never' : 'none, without a price'}.` : '';
    return [said(row.reason), row.variant ? el('span', {}, ' Done as: ', said(row.variant), '.') : '', gain, water, back];
  };
  return [el('h3', {}, 'All retrofits'), table(`Each alone, best first, ${DATA.format.currency}`,
    ['retrofit', 'status', { num: 'net benefit' }, { num: '80 % range' }, { num: 'chance' }, { num: 'expected price' }, 'why', 'safety notes'],
    rows.map((row) => [title(row.retrofit), row.status, { num: known(row.npv) ? amount(row.npv) : 'not valued' },
      { num: known(row.npv) ? range(row.npv_p90, row.npv_p10) : '' },
      { num: known(row.npv) ? chance(row.chance_npv_positive) : '' },
      { num: known(row.upfront) ? plain(row.upfront, 0) : '' }, { wide: tell(row) },
      row.notes < 0 ? 'none' : `${plain(DATA.sets[row.notes].length, 0)}, in full below`]), 'stack')];
}

function siteQuestions(site) {
  const rows = rowsOf('questions', site);
  if (!rows.length) return [el('h3', {}, 'Questions to ask'), el('p', {}, 'Nothing that is unknown here could turn the advice.')];
  return [el('h3', {}, 'Questions to ask'), table(`Value of an answer before it is known, ${DATA.format.currency}`,
    ['question', 'about', { num: 'by phone' }, { num: 'by a visit' }, { num: 'for certain' }, { num: 'the visit costs' }],
    rows.map((row) => [row.question, row.retrofits,
      ...[row.value_of_phone, row.value_of_visit, row.value_if_known, row.visit_cost].map((value) => ({ num: known(value) ? amount(value) : '' }))]), 'stack')];
}

function siteEnergy(site, charts) {
  const row = rowsOf('energy', site)[0];
  if (!row) return [el('h3', {}, 'Energy'), el('p', {}, 'This site could not be valued, so nothing is known of its energy.')];
  const watts = unpack('picture', site), today = unpack('months', site), offer = unpack('offer_months', site), losses = rowsOf('losses', site);
  const result = [el('h3', {}, 'Energy of a typical year'), el('p', {}, weather(row)),
    el('p', {}, `Generated ${kwh(row.generated_kwh)} (${plain(row.yield_kwh_per_kw, 0)} kWh per kW), used on site ${kwh(row.used_kwh)}, to hot water `
      + `${kwh(row.to_water_kwh)}, exported ${kwh(row.exported_kwh)}, curtailed ${kwh(row.curtailed_kwh)}, bought ${kwh(row.imported_kwh)}.`), meters(site)];
  const pair = [];
  if (watts) {
    const most = watts.indexOf(Math.max(...watts)), caption = `Hours of the day by month: mean power generated in kW, darker = more. Most: ${MONTHS[Math.floor(most / 24)]}, ${most % 24} to ${most % 24 + 1} h, ${plain(watts[most] / 1000, 2)} kW.`;
    pair.push(figure('picture-chart', caption, figures(table('Mean kW in each hour', ['hour', ...MONTHS.map((month) => ({ num: month }))],
      Array.from({ length: 24 }, (_, hour) => [String(hour), ...MONTHS.map((_month, month) => ({ num: plain(watts[24 * month + hour] / 1000, 2) }))])))));
    charts.push(() => drawPicture(watts));
  }
  if (losses.length > 1) {
    const total = losses[0].kwh, last = losses.length - 1;
    pair.push(figure('losses-chart', `Where the energy goes: from the light on the modules (${kwh(total)} a year at their rating) to what is generated (${kwh(losses[last].kwh)}). Losses below half a kWh are left out.${losses.some((step) => step.step.endsWith(' *')) ? ` * = ${BY_CHANCE}.` : ''}`,
      figures(table('Losses in figures', ['step', { num: 'kWh a year' }, { num: 'share of the light' }], losses.map((step, n) => {
        const signed = n === 0 || n === last ? step.kwh : -step.kwh;
        return [step.step.replace(/ \*$/, `, ${BY_CHANCE}`), { num: plain(signed, 0) }, { num: total ? percent(signed / total) : '' }];
      })))));
    charts.push(() => drawLosses(losses));
  }
  result.push(el('div', { class: 'pair' }, pair));
  if (today) {
    result.push(el('h3', {}, offer ? 'Month by month: today and with the best offer' : 'Month by month today'),
      el('div', { class: 'pair' }, COLUMNS_OF_MONTH.map((label, column) => (label === 'to hot water' && !anyOf(today, offer, column) ? ''
        : figure(`month-chart-${column}`, `${label[0].toUpperCase()}${label.slice(1)}: ${kwh(sum(everyMonth(today, column)))} a year today${offer ? `, ${kwh(sum(everyMonth(offer, column)))} with the best offer as new` : ''}.`)))),
      monthTable(today, offer));
    COLUMNS_OF_MONTH.forEach((label, column) => charts.push(() => drawMonths(`month-chart-${column}`, label, everyMonth(today, column), offer && everyMonth(offer, column))));
  }
  return result;
}

// figures behind a chart: the chart says the same
function figures(content) {
  return el('details', { class: 'no-print' }, el('summary', {}, 'The figures'), content);
}

function sum(values) {
  return values.reduce((total, value) => total + value, 0);
}

function anyOf(today, offer, column) {
  return [today, offer].some((numbers) => numbers && everyMonth(numbers, column).some((value) => value >= 0.05));
}

function monthTable(today, offer) {
  const heads = ['month', ...COLUMNS_OF_MONTH.flatMap((label) => (offer ? [{ num: label }, { num: 'with offer' }] : [{ num: label }]))];
  return table(offer ? 'kWh of each month, today and with the best offer' : 'kWh of each month today', heads, MONTHS.map((month, n) => [month,
    ...COLUMNS_OF_MONTH.flatMap((_, column) => [today, offer].filter(Boolean).map((numbers) => ({ num: plain(numbers[5 * n + column], 0) })))]));
}

function weather(row) {
  const sure = ` Standard deviation of the year's irradiation ${percent(row.weather_sd_share, NOT_KNOWN)}.`;
  if (row.weather_basis === 'normals') return [`Weather: a year made from the built-in climate normals of the place (`, said(row.station_id), ').', sure];
  const height = known(row.height_difference_m) && row.height_difference_m !== 0 ? `, ${plain(Math.abs(row.height_difference_m), 0)} m ${row.height_difference_m > 0 ? 'higher' : 'lower'}` : '';
  return ['Weather: typical year of station ', said(row.station_id), `, ${plain(row.distance_km, 0)} km away${height}.`, sure, row.remark ? ' Note: ' : '', said(row.remark), row.remark ? '.' : ''];
}

// what the site's own meters say
function meters(site) {
  const told = rowsOf('evidence', site).map((row) => {
    const long = years(row.years_of_data, 1);
    if (!known(row.factor)) return `Meter readings of ${long} do not tell how the system does.${row.remark ? ` ${row.remark}.` : ''}`;
    const short = row.shortfall > 0 ? ` At least ${percent(row.shortfall)} are missing beyond any error: find out why.` : '';
    return `Meter readings of ${long}: ${percent(row.factor)} of what the model expects, standard error ${percent(row.factor_se)}; where they are sure enough, the energy is corrected by them.${short}${row.remark ? ` ${row.remark}${row.remark.endsWith('.') ? '' : '.'}` : ''}`;
  });
  const found = rowsOf('findings', site).map((row) => `Readings, ${row.meter}: ${row.text}`);
  return [...told, ...found].map((text) => el('p', {}, said(text)));
}

function siteFacts(site) {
  const stated = DATA.details.facts.map((column) => ({ ...column, value: word(column, site) }));
  const written = (column) => (column.number && column.unit ? plain(Number(column.value), (column.value.split('.')[1] || '').length) : column.value);
  const arrays = rowsOf('arrays', site).map((row, n) => [`Array ${n + 1}`, { num: known(row.dc_rating_kw) ? `${plain(row.dc_rating_kw, 2)} kW` : NOT_KNOWN }, { num: known(row.tilt_deg) ? `${plain(row.tilt_deg, 0)}\u00b0` : NOT_KNOWN },
    { num: known(row.azimuth_deg) ? `${plain(row.azimuth_deg, 0)}\u00b0` : NOT_KNOWN }, row.mounting || NOT_KNOWN, { num: known(row.module_count) ? String(row.module_count) : NOT_KNOWN }, { num: known(row.shading_pct) ? `${plain(row.shading_pct, 0)} %` : NOT_KNOWN }]);
  const unknown = stated.filter((column) => !column.value).map((column) => column.label.toLowerCase());
  return [el('h3', {}, 'Facts of the system'), arrays.length ? table('Arrays', ['array', { num: 'rating' }, { num: 'tilt' }, { num: 'faces (south = 180\u00b0)' }, 'mounting', { num: 'modules' }, { num: 'shaded' }], arrays) : '',
    el('dl', { class: 'facts' }, stated.filter((column) => column.value).map((column) => el('div', {}, el('dt', {}, column.label), el('dd', {}, said(`${written(column)}${column.unit ? ` ${column.unit}` : ''}`))))),
    unknown.length ? el('p', { class: 'small' }, 'Not known: ', unknown.join(', '), '.') : ''];
}

// the titles of the retrofits here whose work a note belongs to
function withNote(site, place) {
  return rowsOf('retrofits', site).filter((row) => row.notes >= 0 && DATA.sets[row.notes].includes(place)).map((row) => title(row.retrofit)).join(', ');
}

function siteSafety(site) {
  const places = new Set(rowsOf('retrofits', site).filter((row) => row.notes >= 0).flatMap((row) => DATA.sets[row.notes]));
  DATA.known.filter((one) => one.sites.includes(site)).forEach((one) => places.add(one.note));
  if (!places.size) return '';
  return [el('h3', {}, 'Safety notes of all retrofits here, in full'), [...places].sort((a, b) => a - b).map((place) => note(DATA.notes[place], withNote(site, place))),
    el('p', {}, 'Local codes and licensed practice come first; these notes replace neither.')];
}
