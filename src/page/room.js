/* One room: the board, the plot, and what can be done about it. */
const POINT_MS = 5000, POINTS_MAX = 720, PREVIEW_MS = 6000;
const rooms = new Map(); /* by name: {name, state, at, points, open, heat_id} */

function roomOf(name) {
  if (!rooms.has(name))
    rooms.set(name, { name, state: null, at: null, points: [], open: [],
      heat_id: null });
  return rooms.get(name);
}

/* Live also means news of this room: none may wait longer than a minute. */
const isFresh = (room) => link.isLive() && room.state.fresh &&
  since(room.at) < 70000;

/* A whole state: as old as it says, not as new as it came. */
function takeState(state) {
  const room = roomOf(state.room);
  const old = state.seen_at ?
    Math.max(0, serverNow() - Date.parse(state.seen_at)) : 0;
  room.state = state;
  room.at = state.seen_at ? { mono: performance.now() - old,
    wall: Date.now() - old } : null;
  if (state.fresh)
    remember(room);
  draw();
}

function takePatch({ room: name, rev, patch }) {
  const room = rooms.get(name);
  if (!room || !room.state || rev <= room.state.rev)
    return;
  room.state = merge(room.state, patch);
  if (patch.seen_at) {
    room.at = moment();
    learnClock(patch.seen_at);
    remember(room);
  }
  draw();
}

function remember(room) {
  const now = serverNow(), last = room.points[room.points.length - 1];
  if (room.state.air_c != null && (!last || now - last[0] >= POINT_MS))
    room.points.push([now, room.state.air_c]);
  if (room.points.length > POINTS_MAX)
    room.points = room.points.filter((point, i) => i % 2);
  if (room.state.door === 'open') {
    const gap = room.open[room.open.length - 1];
    if (gap && now - gap[1] < 10000)
      gap[1] = now;
    else
      room.open.push([now, now]);
    room.open = room.open.slice(-50);
  }
}

/* The course of a running heat from its begin, where we may have it. */
async function fetchCourse(room) {
  const heat = room.state.heat;
  if (!heat || heat.heat_id === room.heat_id || me.role === 'caretaker' ||
    !link.isLive())
    return;
  room.heat_id = heat.heat_id;
  try {
    const past = course(await call('report.heat', { heat_id: heat.heat_id }));
    if (past.points.length) {
      const last = past.points[past.points.length - 1][0];
      room.points = past.points.concat(room.points.filter((p) => p[0] > last));
      room.open = past.open.concat(room.open.filter((gap) => gap[0] > last));
    }
  } catch (error) {
    /* somebody else's: only what was seen since this page was opened */
    if (error.code === 'timeout')
      room.heat_id = null;
  }
  draw();
}

function flaps(node, text) {
  same(node, text, () => [el('span', { class: 'sr' }, text),
    el('span', { class: 'flaps', 'aria-hidden': 'true' },
      ...[...text].map((c) => el('span', {}, c)))]);
}

function phaseText(state) {
  return t('phase.' + (state.phase || 'unknown'));
}

function checkText(check) {
  return check.state === 'valid' && check.until
    ? t('check.valid', { time: clock(check.until) })
    : t('check.' + check.state);
}

function readyText(state) {
  if (state.heat && state.air_c >= state.heat.target_c - 1)
    return t('heat.warm');
  return state.forecast ? t('heat.ready',
    { time: clock(state.forecast.ready_at) }) : '–';
}

/* [key, text] of each row of the board */
function boardRows(state) {
  const rows = [
    ['state', phaseText(state)],
    ['door', t(state.door || 'unknown')],
    ['heater', t(state.heater || 'unknown')],
    ['check', checkText(state.check)],
  ];
  if (state.heat || state.plan)
    rows.push(['ready', readyText(state)]);
  if (state.heat)
    rows.push(['ends', clock(state.heat.ends_at)]);
  return rows;
}

function board(name) {
  const air = el('p', { class: 'air' });
  const how = el('p', { class: 'age' });
  const rows = el('dl', {});
  const more = el('p', { class: 'more' });
  const node = el('section', { class: 'board', 'aria-label': name },
    el('h2', { class: 'sr' }, t('air')), air, how, rows, more);
  const line = el('p', { class: 'sr', role: 'status' });
  node.append(line);
  return {
    node,
    update(room, isLive) {
      const state = room.state;
      node.classList.toggle('old', !isLive);
      flaps(air, degrees(state.air_c) + ' °C');
      const gap = room.at ? since(room.at) : 0;
      say(how, !room.at ? t('age.none') : t(isLive ? 'age.live' : 'age.old',
        { age: age(gap), time: clock(Date.parse(state.seen_at)) }));
      const list = boardRows(state);
      same(rows, JSON.stringify(list) + lang, () => list.map(([key, text]) => {
        const value = el('dd', {});
        flaps(value, text);
        return el('div', {}, el('dt', {}, t(key)), value);
      }));
      say(line, isLive ? phaseText(state) : '');
      say(more, state.heat ? t('heat.to', { t: state.heat.target_c,
        time: clock(state.heat.ends_at) }) + ' · ' +
        t('heat.by', { who: who(state.heat.by) }) + (state.forecast ? '. ' +
        t('heat.between', { low: clock(state.forecast.low),
          high: clock(state.forecast.high) }) : '') : state.last ? t('last', {
        time: clock(state.last.ended_at), why: reason(state.last.end)[0],
      }) : '');
    },
  };
}

function roomView(name) {
  const room = roomOf(name);
  const mayHeat = me.role !== 'caretaker';
  const view = { room: name, preview: null,
    previewAt: null, asked: '' };
  const [top, list, check, plan] =
    [board(name), checkList(), roomCheck(name), planBox(name)];
  const drawn = el('figure', { class: 'plot' });
  const changes = el('div', {});
  const care = cautions(() => view.update());
  const form = mayHeat ? heatForm(name, room.state.limits, view) : null;
  const staff = isStaff() ? staffBox(name) : null;
  view.node = el('div', { class: 'room' }, head(room.state.label), top.node,
    drawn, plan.node, list.node, care.node, check.node, form && form.node,
    changes, staff && staff.node);

  view.codes = () => {
    const codes = [...room.state.reasons];
    for (const one of view.preview ? view.preview.reasons : [])
      if (['outside-stay', 'not-allowed', 'target-out-of-range',
        'duration-over-cap', 'clock-untrusted'].includes(one.code) &&
        !codes.includes(one.code))
        codes.push(one.code);
    return codes;
  };

  /* the cheap question; for those who may heat also the forecast */
  view.ask = async () => {
    view.previewAt = moment();
    if (!mayHeat) {
      takeState(await call('room.state', { room: name }));
      return;
    }
    const preview = await call('heat.preview', { room: name, ...form.get() });
    learnClock(preview.starts_at);
    view.preview = preview;
    view.update();
  };

  function drawPlot(state) {
    const ahead = state.forecast ||
      (!state.heat && view.preview && view.preview.forecast) || null;
    const target = state.heat ? state.heat.target_c : state.plan
      ? state.plan.target_c : form && ahead ? form.get().target_c : null;
    const isWarm = state.heat && state.air_c >= state.heat.target_c;
    const key = [room.points.length, ahead && ahead.ready_at, target, isWarm,
      room.open.length, lang].join();
    if (drawn.madeOf === key)
      return;
    drawn.madeOf = key;
    plot(drawn, { points: room.points, open: room.open, target,
      forecast: isWarm ? null : ahead });
  }

  view.update = () => {
    const state = room.state;
    const isLive = isFresh(room);
    top.update(room, isLive);
    list.update(view.codes(), link.isLive());
    list.node.hidden = !!state.heat;
    check.update(state, link.isLive());
    check.node.hidden = !!state.heat;
    plan.update(state);
    drawn.classList.toggle('old', !isLive);
    drawPlot(state);
    if (form)
      form.update(state, isLive, care.isRead());
    if (mayHeat)
      same(changes, state.heat && state.heat.heat_id, () => state.heat
        ? [changeForm(name, state)] : []);
    if (staff)
      staff.update(state);
    fetchCourse(room);
    const key = state.reasons.join();
    if (link.isLive() && mayHeat && (!view.previewAt || view.asked !== key ||
      since(view.previewAt) > PREVIEW_MS)) {
      view.asked = key;
      view.ask().catch(() => {});
    }
  };
  return view;
}
