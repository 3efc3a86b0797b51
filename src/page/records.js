/* For managers: codes, the journal, reports. */
const PAGE_RECORDS = 50;

function roomSelect(all, onchange) {
  const select = el('select', { onchange });
  const label = (name) => ((rooms.get(name) || {}).state || {}).label || name;
  options(select, (all ? [['', t('log.all')]] : []).concat(
    me.rooms.map((name) => [name, label(name)])), all ? '' : me.rooms[0]);
  return select;
}

function localInput(days, hour) {
  const date = new Date(serverNow());
  date.setDate(date.getDate() + days);
  if (hour !== null)
    date.setHours(hour, 0, 0, 0);
  date.setMinutes(date.getMinutes() - date.getTimezoneOffset());
  return el('input', { type: 'datetime-local', required: true,
    value: date.toISOString().slice(0, 16) });
}

function codesView() {
  const place = outcome(), shown = el('div', { role: 'status' });
  const list = el('ul', { class: 'rows' });
  const room = roomSelect(false, load);
  const from = localInput(0, null), until = localInput(3, 11);
  const label = el('input', { maxlength: 80 });
  const rotate = button('code.rotate', (event) => sure(event.target,
    () => give('guest.rotate')));
  const view = { node: el('div', {}, head(t('code.title')),
      el('form', { onsubmit(event) {
        event.preventDefault();
        give('guest.issue');
      } }, field(t('code.room'), room), field(t('code.from'), from),
      field(t('code.until'), until), field(t('code.label'), label),
      el('button', { class: 'go' }, t('code.issue')), rotate), place, shown,
      el('h2', {}, t('code.list')), list) };

  async function give(method) {
    shown.replaceChildren();
    if (!from.value || !until.value) {
      place.replaceChildren(el('p', {}, t('no.fields')));
      return;
    }
    const made = await act(place, method, { rooms: [room.value],
      from: new Date(from.value).toISOString(),
      until: new Date(until.value).toISOString(),
      ...(label.value ? { label: label.value } : {}) },
    (code) => t('code.stay', { from: clock(code.from, true),
      until: clock(code.until, true) }));
    if (made)
      shown.replaceChildren(el('p', {}, t('code.shown')),
        el('output', { class: 'code' }, made.code), el('p', {}, t('code.link')),
        el('output', { class: 'url' }, location.origin + '/#code=' +
          made.code));
    load();
  }

  function row(one) {
    return el('li', {}, el('b', {}, one.label || one.id), ' ',
      el('span', {}, one.id + ' · ' + t('code.stay', {
        from: one.from ? clock(one.from, true) : '',
        until: one.until ? clock(one.until, true) : '' }) +
        (one.ended ? ' · ' + t('code.ended') : '')),
      one.ended ? null : button('code.revoke', (event) =>
        sure(event.target, () => act(place, 'guest.revoke', { id: one.id },
          () => t('code.revoked', { id: one.id })).then(load)),
      { 'aria-label': t('code.revoke') + ' ' + (one.label || one.id) }));
  }

  async function load() {
    try {
      const all = (await call('guest.list', { room: room.value })).guests;
      all.sort((a, b) => a.ended - b.ended ||
        (a.from < b.from ? 1 : -1));
      list.replaceChildren(...(all.length ? all.slice(0, 100).map(row)
        : [el('li', {}, t('code.none'))]));
    } catch (error) {
      list.replaceChildren(...explain(error));
    }
  }
  load();
  return view;
}

/* What ends something is asked for twice. */
function sure(pressed, then) {
  if (pressed.dataset.sure) {
    then();
    return;
  }
  pressed.dataset.sure = 'yes';
  pressed.removeAttribute('aria-label');
  say(pressed, t('code.sure'));
  pressed.classList.add('bad');
}

function recordRow(one) {
  const detail = [one.room, who(one.actor), one.id, one.label, one.note]
    .filter(Boolean).join(' · ');
  const codes = (one.reasons || []).concat(one.why in words.reasons
    ? one.why : []);
  return el('li', {}, el('time', { datetime: one.at }, clock(one.at, true)),
    ' ', el('b', {}, one.kind.replace(/-/g, ' ')),
    ' ', el('span', {}, detail), ...codes.map((code) =>
      el('span', { class: 'small' }, reason(code)[0])));
}

function journalView() {
  const place = outcome(), list = el('ol', { class: 'rows' });
  const room = roomSelect(true, () => load(null));
  const older = button('log.older', () => load(first));
  let first = null;
  const view = { node: el('div', {}, head(t('log.title')),
      field(t('code.room'), room), list, older, place) };

  /* The records before that number, newest first; null: the newest. */
  async function load(before) {
    const only = room.value ? { room: room.value } : {};
    place.replaceChildren();
    try {
      const end = before === null ? (await call('journal.read',
        { limit: 1 })).durable_n + 1 : before;
      const after = Math.max(0, end - 1 - PAGE_RECORDS);
      const read = await call('journal.read', { after, limit: PAGE_RECORDS,
        ...only });
      const rows = read.records.filter((one) => one.n < end).reverse()
        .map(recordRow);
      first = after + 1;
      older.hidden = after === 0;
      if (before === null)
        list.replaceChildren();
      list.append(...rows);
      say(place, list.childElementCount ? '' : t('log.none'));
    } catch (error) {
      place.replaceChildren(...explain(error));
    }
  }
  load(null);
  return view;
}

/* [value, text] of the last twelve months, the newest first */
function months() {
  const list = [];
  for (let back = 0; back < 12; back++) {
    const date = new Date(serverNow());
    date.setDate(1);
    date.setMonth(date.getMonth() - back);
    list.push([date.getFullYear() + '-' + (date.getMonth() + 1),
      date.toLocaleDateString(lang, { month: 'long', year: 'numeric' })]);
  }
  return list;
}

function reportsView() {
  const place = outcome(), drawn = el('figure', { class: 'plot' });
  const room = roomSelect(false), month = el('select', {});
  const result = el('div', {});
  options(month, months());
  const view = { node: el('div', {}, head(t('rep.title')),
      el('form', { onsubmit: show }, field(t('code.room'), room),
        field(t('rep.month'), month), el('button', { class: 'go' },
          t('rep.show'))), place, drawn, result) };

  async function show(event) {
    event.preventDefault();
    const [year, number] = month.value.split('-').map(Number);
    drawn.replaceChildren();
    result.replaceChildren();
    const made = await act(place, 'report.energy', { room: room.value,
      from: new Date(year, number - 1, 1).toISOString(),
      until: new Date(year, number, 1).toISOString() }, total);
    if (made && made.heats.length)
      result.append(el('table', { class: 'heats' }, el('thead', {},
        el('tr', {}, ...['rep.by', 'rep.began', 'rep.end', 'rep.kwh',
          'rep.course'].map((key) => el('th', { scope: 'col' }, t(key))))),
      el('tbody', {}, ...made.heats.map(row))));
  }

  function total(made) {
    const sum = made.total;
    return !made.heats.length ? t('rep.none') : t('rep.total', {
      n: sum.heats, kwh: sum.kwh.toFixed(1) }) + (sum.cost === null ? ''
      : t('rep.cost', { cost: sum.cost.toFixed(2), cur: made.currency || '' }));
  }

  function row(heat) {
    const end = heat.end ? reason(heat.end)[0] : '–';
    return el('tr', {}, el('td', {}, who(heat.by)),
      el('td', {}, clock(heat.started_at, true)), el('td', {}, end),
      el('td', {}, heat.kwh === null ? '–' : heat.kwh.toFixed(1)),
      el('td', {}, button('rep.course', async () => {
        try {
          plot(drawn, course(await call('report.heat',
            { heat_id: heat.heat_id })));
          drawn.scrollIntoView();
        } catch (error) {
          place.replaceChildren(...explain(error));
        }
      }, { 'aria-label': t('rep.course') + ' ' +
        clock(heat.started_at, true) })));
  }
  return view;
}
