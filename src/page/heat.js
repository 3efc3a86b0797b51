/* Start, plan, change: what to ask for, and when the room would be warm. */

function durations(cap) {
  const list = [30, 60, 90, 120, 180, 240, 300, 360, 480, 600, 720, 900]
    .filter((m) => m < cap).concat(cap);
  return list.map((m) => [String(m), span(m)]);
}

/* Target and duration within the room's limits. */
function wish(limits, target, total, label, onchange) {
  const input = el('input', { type: 'number', inputmode: 'numeric',
    min: limits.target_min_c, max: limits.target_max_c, value: target,
    required: true, onchange, oninput: onchange });
  const select = el('select', { onchange });
  const list = durations(limits.duration_max_min);
  options(select, list, list.some(([m]) => m === String(total))
    ? String(total) : list[Math.min(3, list.length - 1)][0]);
  const step = (by) => () => {
    const [min, max] = [limits.target_min_c, limits.target_max_c];
    input.value = Math.min(max, Math.max(min, Number(input.value) + by));
    onchange();
  };
  const row = field(t('start.target'), input, el('small', {},
    t('start.range', { min: limits.target_min_c, max: limits.target_max_c })));
  row.classList.add('steps');
  input.before(el('button', { type: 'button', onclick: step(-5),
    'aria-label': t('start.less') }, '−'));
  input.after(el('button', { type: 'button', onclick: step(5),
    'aria-label': t('start.more') }, '+'));
  return {
    nodes: [row, field(t(label), select)],
    input,
    select,
    get() {
      return { target_c: Number(input.value),
        duration_min: Number(select.value) };
    },
  };
}

/* The next time of day that is hh:mm, on this phone's own clock face */
function nextTime(text) {
  const [h, m] = text.split(':').map(Number);
  const date = new Date(serverNow());
  date.setHours(h, m, 0, 0);
  if (date.getTime() <= serverNow())
    date.setDate(date.getDate() + 1);
  return date.toISOString();
}

/* The cautions; read() says whether this stay has agreed to them. */
function cautions(onread) {
  const key = 'hg.read.' + me.who;
  const isRead = () => kept.get(key) === me.until + '';
  const agree = button('care.agree', () => {
    kept.set(key, me.until + '');
    agree.hidden = true;
    box.open = false;
    box.querySelector('summary').focus();
    onread();
  }, { class: 'go' });
  const box = el('details', { class: 'care', open: !isRead() },
    el('summary', {}, el('h2', {}, t('care.title'))),
    el('ul', {}, ...[1, 2, 3, 4, 5, 6].map((n) =>
      el('li', {}, t('care.' + n)))), agree);
  agree.hidden = isRead();
  return { node: box, isRead };
}

function heatForm(name, limits, view) {
  const place = outcome();
  const what = wish(limits, Math.min(80, limits.target_max_c), 120,
    'start.for', () => {
    clearTimeout(view.wait);
    view.wait = setTimeout(view.ask, 300);
  });
  const by = el('input', { type: 'time' });
  const forecast = el('p', { class: 'forecast' });
  const why = el('p', { class: 'why', id: 'why' });
  const start = el('button', { class: 'go', id: 'start',
    'aria-describedby': 'why' }, t('start.now'));
  const plan = button('start.plan', makePlan, { id: 'plan' });
  const form = el('form', { onsubmit: begin }, ...what.nodes, forecast, start,
    why, el('div', { class: 'by' }, field(t('start.by'), by), plan));
  const node = el('section', { id: 'heat' }, el('h2', {}, t('start.title')),
    form, place);

  let had = false; /* what the outcome speaks of was there */

  async function begin(event) {
    event.preventDefault();
    start.disabled = true;
    await act(place, 'heat.start', { room: name, ...what.get() },
      (heat) => t('start.granted', { t: heat.target_c,
        time: clock(heat.ends_at) }));
    view.update();
  }

  async function makePlan() {
    if (!by.value) {
      by.focus();
      place.replaceChildren(el('p', {}, t('no.fields')));
      return;
    }
    await act(place, 'heat.plan', { room: name, ...what.get(),
      ready_at: nextTime(by.value) }, (made) => t('plan.made',
      { time: clock(made.starts_at) }));
  }

  function reasonNot(isLive, isRead) {
    if (!isLive)
      return t('start.not_live');
    if (!isRead)
      return t('start.read_first');
    return view.codes().length ? t('start.missing') : '';
  }

  return {
    node,
    get: what.get,
    update(state, isLive, isRead) {
      const ahead = view.preview && view.preview.forecast;
      const not = reasonNot(isLive, isRead);
      if (had && !state.heat && !state.plan)
        place.replaceChildren();
      had = !!(state.heat || state.plan);
      form.hidden = !!state.heat;
      start.disabled = not !== '';
      plan.disabled = !link.isLive() || !isRead;
      say(why, not);
      say(forecast, !isLive || !view.preview ? '' : ahead
        ? t('start.forecast', { time: clock(ahead.ready_at),
          low: clock(ahead.low), high: clock(ahead.high) })
        : t('start.unreachable'));
      node.hidden = !!state.heat && !place.hasChildNodes();
    },
  };
}

function changeForm(name, state) {
  const place = outcome();
  const heat = state.heat;
  const total = Math.round((Date.parse(heat.ends_at) -
    Date.parse(heat.started_at)) / 60000);
  const what = wish(state.limits, heat.target_c, total, 'change.total',
    () => {});
  const node = el('details', { class: 'change' },
    el('summary', {}, t('change.title')),
    el('form', { onsubmit: change }, ...what.nodes,
      el('button', {}, t('change.do'))), place);

  const first = what.select.value;

  /* only what was touched: the other may have been cut by the stay's end */
  function change(event) {
    event.preventDefault();
    const asked = what.get();
    if (what.select.value === first)
      delete asked.duration_min;
    act(place, 'heat.change', { room: name, ...asked }, (now) =>
      t('change.done', { t: now.target_c, time: clock(now.ends_at) }));
  }
  return node;
}

function planBox(name) {
  const place = outcome();
  const node = el('section', { class: 'plan' });
  return {
    node,
    update({ plan, heat }) {
      if ((plan || heat) && !place.classList.contains('bad'))
        place.replaceChildren();
      same(node, JSON.stringify(plan || null) + place.textContent, () => plan ?
        [el('h2', {}, t('plan.title')), el('p', {}, t('plan.is', {
          t: plan.target_c, ready: clock(plan.ready_at),
          for: span(plan.duration_min), start: clock(plan.starts_at) })),
        ...(plan.at_risk.length ? [el('p', { class: 'bad' }, t('plan.risk')),
          reasonList(plan.at_risk)] : []),
        me.role === 'caretaker' ? null : button('plan.drop', () =>
          act(place, 'heat.unplan', { room: name }, () => t('plan.dropped'))),
        place].filter(Boolean) : [place]);
    },
  };
}
