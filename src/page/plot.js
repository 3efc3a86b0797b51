/*
 * The warm-up: air over time, the target, and between the earliest and the
 * latest forecast a band. Drawn anew when its data change.
 */
const PLOT_W = 340, PLOT_H = 170, PLOT_L = 30, PLOT_B = 20, PLOT_T = 8;

/* what: {points: [[ms, c]], open: [[ms, ms]], target, forecast, until} */
function plotSpan(what) {
  const last = what.points[what.points.length - 1];
  const from = what.points[0][0];
  const ends = [last[0] + 60000, from + 600000];
  if (what.forecast)
    ends.push(Date.parse(what.forecast.high) + 120000);
  const temps = what.points.map((p) => p[1]).concat(what.target || []);
  const low = Math.floor(Math.min(...temps) / 10) * 10;
  return { from, to: Math.max(...ends), low,
    high: Math.max(low + 20, Math.ceil((Math.max(...temps) + 2) / 10) * 10) };
}

function plotTicks(range, x, y) {
  const marks = [];
  const step = range.high - range.low > 60 ? 20 : 10;
  for (let c = range.low; c <= range.high; c += step) {
    marks.push(svg('path', { class: 'grid',
      d: `M${PLOT_L} ${y(c)}H${PLOT_W}` }),
    svg('text', { x: PLOT_L - 5, y: y(c) + 4, 'text-anchor': 'end' },
      String(c)));
  }
  const minutes = [1, 5, 10, 15, 30, 60, 120, 240, 720]
    .find((m) => (range.to - range.from) / (m * 60000) <= 5) || 1440;
  const every = minutes * 60000;
  for (let at = Math.ceil(range.from / every) * every; at < range.to;
    at += every) {
    if (x(at) > PLOT_W - 16)
      break;
    marks.push(svg('text', { x: x(at), y: PLOT_H - 4,
      'text-anchor': x(at) < PLOT_L + 14 ? 'start' : 'middle' }, clock(at)));
  }
  return marks;
}

function plotBand(what, x, y) {
  if (!what.forecast || what.target == null)
    return [];
  const [at, c] = what.points[what.points.length - 1];
  const [ready, low, high] = ['ready_at', 'low', 'high'].map((name) =>
    x(Date.parse(what.forecast[name])));
  return [
    svg('path', { class: 'band', d: `M${x(at)} ${y(c)}L${low} ` +
      `${y(what.target)}H${high}Z` }),
    svg('path', { class: 'likely', d: `M${x(at)} ${y(c)}L${ready} ` +
      y(what.target) }),
  ];
}

function plotWords(what) {
  const last = what.points[what.points.length - 1];
  return t('plot.title') + '. ' + t('plot.now', { t: degrees(last[1]) }) +
    (what.forecast && what.target != null ? ' ' + t('plot.band', {
      t: what.target, time: clock(what.forecast.ready_at),
      low: clock(what.forecast.low), high: clock(what.forecast.high) }) : '');
}

function plotKey(what) {
  const keys = [['line', 'plot.line']];
  if (what.target != null)
    keys.push(['target', 'plot.target']);
  if (what.forecast && what.target != null)
    keys.push(['band', 'plot.shade']);
  if (what.open.length)
    keys.push(['open', 'plot.open']);
  return el('p', { class: 'key', 'aria-hidden': 'true' }, ...keys.flatMap(
    ([name, text]) => [el('i', { class: name }), t(text) + ' ']));
}

function plot(node, what) {
  if (what.points.length < 2) {
    node.replaceChildren();
    return;
  }
  const range = plotSpan(what);
  const x = (at) => Math.round(10 * (PLOT_L + (at - range.from) *
    (PLOT_W - PLOT_L) / (range.to - range.from))) / 10;
  const y = (c) => Math.round(10 * (PLOT_H - PLOT_B - (c - range.low) *
    (PLOT_H - PLOT_B - PLOT_T) / (range.high - range.low))) / 10;
  const line = what.points.map(([at, c], i) =>
    (i ? 'L' : 'M') + x(at) + ' ' + y(c)).join('');
  node.replaceChildren(svg('svg', { viewBox: `0 0 ${PLOT_W} ${PLOT_H}`,
    role: 'img', 'aria-label': plotWords(what) },
  ...what.open.map(([from, to]) => svg('rect', { class: 'open', x: x(from),
    y: PLOT_T, width: Math.max(1, x(to) - x(from)),
    height: PLOT_H - PLOT_B - PLOT_T })),
  ...plotTicks(range, x, y), ...plotBand(what, x, y),
  what.target == null ? null : svg('path', { class: 'target',
    d: `M${PLOT_L} ${y(what.target)}H${PLOT_W}` }),
  svg('path', { class: 'line', d: line })), plotKey(what));
}

/* The answer of report.heat as plot() wants it. */
function course(report) {
  const at = report.columns.indexOf('t_s');
  const air = report.columns.indexOf('air_c');
  const door = report.columns.indexOf('door_open');
  const start = Date.parse(report.started_at);
  const points = [], open = [];
  let before = start;
  for (const sample of report.samples) {
    const time = start + sample[at] * 1000;
    if (sample[air] !== null)
      points.push([time, sample[air]]);
    if (sample[door])
      open.push([before, time]);
    before = time;
  }
  return { points, open, target: report.target_c, forecast: null };
}
