/* For managers: all rooms at once, lockouts, findings. */
const WATCHED_MAX = 50;
const isStaff = () => me.role === 'manager' || me.role === 'owner';

function findings(list) {
  return el('ul', { class: 'reasons', lang: 'en' }, ...list.map((one) =>
    el('li', {}, el('strong', {}, one.text), ' ',
      el('span', {}, one.remedy))));
}

function lockRow(name, lockout, place) {
  const note = el('input', { maxlength: 400, required: true });
  const isNew = lockout === null;
  return el('form', { onsubmit(event) {
    event.preventDefault();
    act(place, isNew ? 'lockout.set' : 'lockout.clear', { room: name,
      note: note.value, ...(isNew ? {} : { lockout }) },
    () => t('lock.done')).then((done) => {
      note.value = done ? '' : note.value;
    });
  } }, isNew ? null : reasonList([lockout]),
  field(t(isNew ? 'lock.why' : 'lock.note'), note),
  el('button', {}, t(isNew ? 'lock.set' : 'lock.clear')));
}

function staffBox(name) {
  const place = outcome();
  const locks = el('div', {}), found = el('div', {});
  const node = el('details', { class: 'staff' }, el('summary', {},
    t('lock.title')), locks, place, found);
  return {
    node,
    update(state) {
      same(locks, state.lockouts.join(), () => {
        if (state.lockouts.length)
          node.open = true;
        return [...state.lockouts, null].map((one) =>
          lockRow(name, one, place));
      });
      const list = state.findings || [];
      same(found, JSON.stringify(list), () => list.length
        ? [el('h3', {}, t('find.title')), findings(list)] : []);
    },
  };
}

/* One row a room; text only, so that it can be read across. */
function boardRow(name) {
  const cells = ['air', 'door', 'check', 'state'].map((key) =>
    el('td', { 'data-head': t(key) }));
  const link_ = el('a', { href: '#/room/' + name });
  return {
    node: el('tr', {}, el('th', { scope: 'row' }, link_), ...cells),
    update() {
      const room = roomOf(name), state = room.state;
      if (!state)
        return;
      const isLive = isFresh(room);
      this.node.classList.toggle('old', !isLive);
      say(link_, state.label);
      flaps(cells[0], degrees(state.air_c));
      say(cells[1], t(state.door || 'unknown'));
      say(cells[2], checkText(state.check));
      say(cells[3], isLive ? phaseText(state) : t('phase.unknown'));
    },
  };
}

function boardView() {
  const body = el('tbody', {}), more = el('p', {}), wrong = el('div', {});
  const find = el('input', { type: 'search', oninput: show });
  let rows = [];
  const view = { node: el('div', {},
    head(t('board.title')),
    me.rooms.length > 12 ? field(t('board.find'), find) : null,
    el('table', { class: 'rooms' }, el('thead', {}, el('tr', {},
      ...['rooms', 'air', 'door', 'check', 'state'].map((key) =>
        el('th', { scope: 'col' }, t(key))))), body), more, wrong) };

  function show() {
    const some = me.rooms.filter((name) => (name + ' ' +
      ((rooms.get(name) || {}).state || { label: '' }).label).toLowerCase()
      .includes(find.value.toLowerCase()));
    rows = some.slice(0, WATCHED_MAX).map(boardRow);
    body.replaceChildren(...rows.map((row) => row.node));
    say(more, some.length > WATCHED_MAX
      ? t('board.more', { n: some.length - WATCHED_MAX }) : '');
    watch(some.slice(0, WATCHED_MAX)).catch(() => {});
    view.update();
  }

  view.update = () => rows.forEach((row) => row.update());
  view.ask = async () => {
    const list = me.rooms.length > WATCHED_MAX
      ? (await call('room.state', { room: me.rooms[0] }), {})
      : await call('room.list');
    (list.rooms || []).forEach(takeState);
    const wrongs = list.findings || [];
    same(wrong, JSON.stringify(wrongs), () => wrongs.length
      ? [el('h2', {}, t('board.findings')), findings(wrongs)] : []);
  };
  show();
  view.ask().catch(() => {});
  return view;
}
