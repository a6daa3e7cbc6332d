// Hands data to the charts library. Colours of text and lines come from the style sheet.
const STATE_MARKS = [
  { symbol: 'circle', color: '#2f7fb8', size: 9, sign: '\u25cf' },
  { symbol: 'diamond-open', color: '#8a6fb0', size: 9, sign: '\u25c7' },
  { symbol: 'x-thin-open', color: '#7d8790', size: 6, sign: '\u00d7' },
  { symbol: 'square-open', color: '#a07a1f', size: 7, sign: '\u25a1' },
];
const HAZARD_MARK = { symbol: 'triangle-up-open', color: '#c8102e', size: 15, sign: '\u25b3' }; // around the mark of a site with a known hazard
const BLUE = '#2f7fb8', OCHRE = '#b0731d', GREY = '#7d8790';
const MONTHS = ['Jan', 'Feb', 'Mar', 'Apr', 'May', 'Jun', 'Jul', 'Aug', 'Sep', 'Oct', 'Nov', 'Dec'];
const WHOLE = ',.0f';
const FONT = 'system-ui, "Segoe UI", "Noto Sans", "Liberation Sans", sans-serif';
const STILL = window.matchMedia('(pointer: coarse)').matches || window.innerWidth < 640;

// the library reads a little markup in its texts: data must not
function literal(text) {
  return String(text).slice(0, 80).replace(/&/g, '&amp;').replace(/</g, '&lt;').replace(/>/g, '&gt;');
}

// long names in lines, where the screen is narrow
function label(text) {
  const safe = literal(text);
  return window.innerWidth < 640 ? safe.replace(/(.{9,}?)[ ]/g, '$1<br>') : safe;
}

function figure(id, caption, ...more) {
  return el('figure', {}, el('div', { class: 'chart', id, role: 'img', 'aria-label': caption }), el('figcaption', {}, caption), ...more);
}

function draw(id, traces, layout, open) {
  const place = document.getElementById(id);
  if (!place) return;
  const axis = { automargin: true, fixedrange: STILL, zeroline: true };
  Plotly.newPlot(place, traces, {
    font: { family: FONT, size: 12 }, paper_bgcolor: 'rgba(0,0,0,0)', plot_bgcolor: 'rgba(0,0,0,0)',
    separators: DATA.format.decimal + DATA.format.thousands, margin: { l: 10, r: 12, t: 10, b: 10 }, height: 400,
    hoverlabel: { bgcolor: '#ffffff', bordercolor: '#4d585d', font: { family: FONT } }, dragmode: STILL ? false : 'zoom',
    showlegend: false, ...layout, xaxis: { ...axis, ...layout.xaxis }, yaxis: { ...axis, ...layout.yaxis },
  }, { displayModeBar: false, responsive: true, doubleClick: 'reset' });
  if (open) place.on('plotly_click', (event) => { if (known(event.points[0].customdata)) open(event.points[0]); });
}

function axisTitle(text) {
  return { title: { text: literal(text), standoff: 8 } };
}

function openSite(point) {
  window.location.hash = siteAddress(point.customdata).slice(1);
}

function scattered(sites, x, y, hover) {
  const shrink = Math.min(1, Math.max(0.4, Math.sqrt(600 / Math.max(sites.length, 1)))); // many marks hide one another
  const traces = [...STATE_MARKS, HAZARD_MARK].map((mark, state) => {
    const hazard = mark === HAZARD_MARK, mine = sites.filter((site) => (hazard ? SITES.danger[site] : SITES.state[site] === state));
    return {
      type: 'scatter', mode: 'markers', x: mine.map(x), y: mine.map(y), customdata: mine,
      text: mine.map((site) => literal(hover(site))), hoverinfo: 'text', name: hazard ? 'known hazard' : literal(DATA.states[state].word),
      marker: { symbol: mark.symbol, color: mark.color, size: mark.size * shrink, opacity: 0.85, line: { width: 1.4, color: mark.color } },
    };
  });
  return traces.filter((trace) => trace.x.length).reverse();
}

function stateKey(sites) {
  const present = new Set(sites.map((site) => SITES.state[site]));
  return el('ul', { class: 'key small' }, DATA.states.map((state, n) => {
    if (!present.has(n)) return '';
    const sign = el('span', { 'aria-hidden': 'true' }, `${STATE_MARKS[n].sign} `);
    sign.style.color = STATE_MARKS[n].color;
    return el('li', {}, sign, el('b', {}, state.word), `: ${state.means}`);
  }), sites.some((site) => SITES.danger[site]) ? el('li', {}, el('span', { 'aria-hidden': 'true', class: 'mark' }, `${HAZARD_MARK.sign} `), el('b', {}, 'known hazard'), ': around any of these; the owner is notified, whatever is sold') : '');
}

function drawRetrofits(rows) {
  const shown = rows.slice().reverse();
  draw('retrofits-chart', [{
    type: 'scatter', mode: 'markers', x: shown.map((row) => row.npv), y: shown.map((row) => label(title(row.retrofit))),
    text: shown.map((row) => `${literal(title(row.retrofit))}: ${amount(row.npv)} (${range(row.p90, row.p10)})`), hoverinfo: 'text',
    marker: { color: BLUE, size: 9, symbol: 'diamond' },
    error_x: {
      type: 'data', symmetric: false, thickness: 1.6, width: 5, color: GREY,
      array: shown.map((row) => Math.max(row.p10 - row.npv, 0)), arrayminus: shown.map((row) => Math.max(row.npv - row.p90, 0)),
    },
  }], { height: 90 + (STILL ? 48 : 34) * shown.length, xaxis: { ...axisTitle(`Net benefit, ${DATA.format.currency}`), tickformat: WHOLE, nticks: STILL ? 4 : 8 }, yaxis: { fixedrange: true } });
}

// forest plot and reliability of the ranges; both stand still where there is no part for them
function drawDelivered(rows) {
  const shown = rows.slice().reverse(), names = shown.map((row) => label(title(row.retrofit))), height = 110 + (STILL ? 56 : 44) * shown.length;
  const across = (x) => ({ type: 'line', x0: x, x1: x, y0: 0, y1: 1, yref: 'paper', line: { color: GREY, width: 1.4, dash: 'dash' } });
  const kinds = [['came', 'at these roofs', { color: GREY, symbol: 'circle', size: 9 }, -0.14], ['all_roofs', 'all roofs', { color: BLUE, symbol: 'diamond', size: 10 }, 0.14]];
  draw('forest-chart', kinds.map(([key, name, marker, off]) => ({
    type: 'scatter', mode: 'markers', name, marker, hoverinfo: 'text', y: shown.map((_, n) => n + off), x: shown.map((row) => 100 * row[key]),
    text: shown.map((row) => `${literal(title(row.retrofit))}, ${name}: ${plain(100 * row[key], 0)} % (${plain(100 * row[`${key}_low`], 0)} to ${plain(100 * row[`${key}_high`], 0)} %)`),
    error_x: { type: 'data', symmetric: false, thickness: 1.6, width: 5, color: marker.color,
      array: shown.map((row) => 100 * (row[`${key}_high`] - row[key])), arrayminus: shown.map((row) => 100 * (row[key] - row[`${key}_low`])) },
  })), { height, shapes: [across(100)], showlegend: true, legend: { orientation: 'h', y: 1.02, yanchor: 'bottom' }, margin: { l: 10, r: 12, t: 30, b: 10 },
    xaxis: { ...axisTitle('Share of the promise that came, %'), nticks: STILL ? 4 : 8 }, yaxis: { tickvals: shown.map((_, n) => n), ticktext: names, range: [-0.6, shown.length - 0.4], fixedrange: true, zeroline: false } });
  const ranged = shown.filter((row) => known(row.bands[0])), colours = [OCHRE, '#ecd9bd', '#c3dcec', BLUE];
  draw('bands-chart', BANDS.map((name, band) => ({
    type: 'bar', orientation: 'h', name, hoverinfo: 'text', textposition: 'none', marker: { color: colours[band], line: { color: GREY, width: 0.6 } },
    y: ranged.map((row) => label(title(row.retrofit))), x: ranged.map((row) => 100 * row.bands[band] / row.bands.reduce((sum, one) => sum + one, 0)),
    text: ranged.map((row) => `${literal(title(row.retrofit))}, ${name}: ${plain(row.bands[band], 0)} of ${some(row.bands.reduce((sum, one) => sum + one, 0), 'work')}`),
  })), { barmode: 'stack', bargap: 0.45, height, shapes: [10, 50, 90].map(across), showlegend: true, legend: { orientation: 'h', y: 1.02, yanchor: 'bottom', traceorder: 'normal' }, margin: { l: 10, r: 12, t: STILL ? 60 : 30, b: 10 },
    xaxis: { ...axisTitle('Share of works, %'), range: [0, 100], nticks: STILL ? 4 : 6 }, yaxis: { fixedrange: true } });
}

function drawCertainty(sites) {
  draw('certainty-chart', scattered(sites, (site) => 100 * SITES.chance[site], (site) => SITES.npv[site],
    (site) => `${SITES.id[site]}: ${title(word(SITES.offer, site))}, ${money(SITES.npv[site])}, ${chance(SITES.chance[site])}`), {
    xaxis: { ...axisTitle('Chance of a gain, %'), range: [-3, 103] }, yaxis: { ...axisTitle(`Net benefit, ${DATA.format.currency}`), tickformat: WHOLE },
    hovermode: 'closest',
  }, openSite);
}

function drawMap(sites) {
  const middle = sites.reduce((sum, site) => sum + SITES.latitude[site], 0) / sites.length;
  const names = { type: 'scatter', mode: 'markers+text', x: DATA.places.map((one) => one.longitude), y: DATA.places.map((one) => one.latitude), text: DATA.places.map((one) => literal(one.name)),
    textposition: 'top center', hoverinfo: 'skip', textfont: { size: 11 }, marker: { symbol: 'circle-open', size: 4, color: GREY }, cliponaxis: true };
  const marks = scattered(sites, (site) => SITES.longitude[site], (site) => SITES.latitude[site],
    (site) => `${SITES.id[site]}: ${DATA.states[SITES.state[site]].word}${SITES.danger[site] ? ', known hazard' : ''}`);
  draw('map-chart', [...marks, names], {
    xaxis: { ...axisTitle('Degrees east'), zeroline: false },
    yaxis: { ...axisTitle('Degrees north'), zeroline: false, scaleanchor: 'x', scaleratio: 1 / Math.max(Math.cos(middle * Math.PI / 180), 0.05) },
    hovermode: 'closest', height: 460,
  }, openSite);
}

// one hue reads from white to dark on any ground; a company's pale colour would not stand out from white
function deep(colour) {
  const parts = [1, 3, 5].map((start) => parseInt(colour.slice(start, start + 2), 16));
  return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2] < 150 ? colour : BLUE;
}

// watts: 12 months of 24 hours
function drawPicture(watts) {
  const kilowatts = Array.from({ length: 24 }, (_, hour) => MONTHS.map((_month, month) => watts[24 * month + hour] / 1000));
  const text = kilowatts.map((row, hour) => row.map((value, month) => `${MONTHS[month]}, ${hour} to ${hour + 1} h: ${plain(value, 2)} kW`));
  draw('picture-chart', [{
    type: 'heatmap', x: MONTHS, y: Array.from({ length: 24 }, (_, hour) => hour), z: kilowatts, text, hoverinfo: 'text', xgap: 1,
    colorscale: [[0, '#ffffff'], [1, deep(getComputedStyle(document.documentElement).getPropertyValue('--accent').trim())]],
    colorbar: { title: { text: 'kW', side: 'top' }, thickness: 12, outlinewidth: 0 },
  }], { yaxis: { ...axisTitle('Hour of the day, standard time'), autorange: 'reversed', dtick: 3 }, xaxis: { type: 'category' }, height: 420 });
}

function drawMonths(name, label, today, offer) {
  const bars = [{ values: today, name: 'today', marker: { color: GREY } }];
  if (offer) bars.push({ values: offer, name: 'with the best offer', marker: { color: OCHRE, pattern: { shape: '/', fillmode: 'overlay', fgcolor: '#ffffff', fgopacity: 0.7, size: 5, solidity: 0.25 } } });
  draw(name, bars.map((bar) => ({
    type: 'bar', x: MONTHS, y: bar.values, name: bar.name, marker: bar.marker, hoverinfo: 'text', textposition: 'none',
    text: bar.values.map((value, n) => `${MONTHS[n]}, ${bar.name}: ${kwh(value)}`),
  })), { barmode: 'group', height: 260, showlegend: Boolean(offer), legend: { orientation: 'h', y: 1.18 }, yaxis: { ...axisTitle(`${label}, kWh`), tickformat: WHOLE }, xaxis: { type: 'category' } });
}

// losses: steps from the light on the modules to what is generated
function drawLosses(losses) {
  const last = losses.length - 1;
  draw('losses-chart', [{
    type: 'waterfall', orientation: 'h', y: losses.map((row) => label(row.step)),
    x: losses.map((row, n) => (n === 0 ? row.kwh : n === last ? 0 : -row.kwh)),
    measure: losses.map((_, n) => (n === 0 ? 'absolute' : n === last ? 'total' : 'relative')),
    text: losses.map((row, n) => plain(n === 0 || n === last ? row.kwh : -row.kwh, 0)), textposition: 'auto',
    hoverinfo: 'none', connector: { line: { color: GREY, width: 1 } },
    decreasing: { marker: { color: OCHRE } }, increasing: { marker: { color: '#4d8a5c' } }, totals: { marker: { color: BLUE } },
  }], { yaxis: { autorange: 'reversed' }, xaxis: { ...axisTitle('kWh a year'), tickformat: WHOLE, nticks: STILL ? 3 : 5 }, height: 80 + (STILL ? 38 : 28) * losses.length });
}
