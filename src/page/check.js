/*
 * What is missing before a start, and the room check. Nothing is agreed to
 * in advance: each statement is a person's word, given by hand.
 */
const CHECK_ASK_MS = 2000;
const SIGNAL = ['telemetry-stale', 'telemetry-late', 'controller-offline',
  'broker-down', 'permit-not-followed'];
const DOOR = ['door-open', 'door-unknown'];
const CHECK = ['check-missing', 'check-void', 'check-expired'];

/* What an answer says, for people: paragraphs and reasons. */
function explain(error) {
  const reasons = error.data && error.data.reasons;
  if (reasons)
    return [el('p', {}, t('no.refused')), reasonList(
      reasons.map((one) => one.code))];
  let text = t('no.other', { text: error.message || error.code });
  if (error.code === 'offline')
    text = t('no.offline');
  else if (error.code === 'timeout' || error.code === 'lost')
    text = t('no.timeout');
  else if ('no.' + error.code in words.text)
    text = t('no.' + error.code,
      { n: error.data ? error.data.retry_after_s : '' });
  return [el('p', {}, text)];
}

function reasonList(codes) {
  return el('ul', { class: 'reasons' }, ...codes.map((code) => {
    const [text, remedy] = reason(code);
    return el('li', {}, el('strong', {}, text), ' ',
      el('span', {}, remedy));
  }));
}

/* Where a section says how it went. */
function outcome() {
  return el('div', { class: 'outcome', role: 'status' });
}

/* Call and tell; tell() makes the text of the result. */
async function act(place, method, params, tell) {
  place.classList.remove('bad');
  place.replaceChildren();
  try {
    const result = await call(method, params);
    place.replaceChildren(el('p', {}, tell(result)));
    return result;
  } catch (error) {
    place.classList.add('bad');
    place.replaceChildren(...explain(error));
    return null;
  }
}

function listRow(isKnown, key, bad) {
  const mark = !isKnown ? '?' : bad.length ? '✗' : '✓';
  const words = !isKnown ? 'list.old' : bad.length ? 'list.todo' : 'list.done';
  return el('li', { class: !isKnown ? 'dim' : bad.length ? 'todo' : 'done' },
    el('span', { class: 'mark', 'aria-hidden': 'true' }, mark),
    el('div', {}, el('span', {}, t(key)),
      el('span', { class: 'sr' }, ' – ' + t(words)),
      ...(isKnown ? bad : []).map((code) => el('p', {}, reason(code)[0] + ' ',
        el('b', {}, t('list.do')), reason(code)[1]))));
}

function checkList() {
  const list = el('ul', { class: 'list' });
  const node = el('section', {}, el('h2', {}, t('list.title')), list);
  return {
    node,
    update(codes, isKnown) {
      same(list, codes.join() + isKnown, () => {
        const rest = codes.filter((code) => code !== 'already-heating' &&
          ![...SIGNAL, ...DOOR, ...CHECK].includes(code));
        const of = (some) => codes.filter((code) => some.includes(code));
        return [listRow(isKnown, 'list.signal', of(SIGNAL)),
          listRow(isKnown, 'list.door', of(DOOR)),
          listRow(isKnown, 'list.check', of(CHECK)),
          listRow(isKnown, 'list.rest', rest)];
      });
    },
  };
}

function roomCheck(name) {
  const place = outcome();
  const begin = button('sign_check.begin', open);
  const form = el('form', { hidden: true, onsubmit: sign });
  const node = el('section', { id: 'check' },
    el('h2', {}, t('sign_check.title')), begin, form, place);
  let isShut = false, isHeld = false;
  let now = null; /* the open check: {check, statements, evidence} */
  let timer = 0;
  let seen, go, code;

  async function open() {
    now = await act(place, 'check.open', { room: name }, () => '');
    if (!now)
      return;
    build();
    timer = setInterval(look_in, CHECK_ASK_MS);
  }

  async function look_in() {
    if (!now || !node.isConnected) {
      clearInterval(timer);
      return;
    }
    if (!link.isLive() || document.hidden)
      return;
    try {
      const newer = await call('check.open', { room: name });
      if (now) {
        now = newer;
        show();
      }
    } catch (error) {
      if (error.data)
        place.replaceChildren(...explain(error));
    }
  }

  function build() {
    seen = el('p', { role: 'status' });
    go = el('button', { class: 'go' }, t('sign_check.sign'));
    code = null;
    const rows = now.statements.map((one) => {
      const box = el('input', { type: 'checkbox', value: one.id,
        onchange: show });
      return el('label', { class: 'agree' }, box, el('span', {},
        word('statement.' + one.id, one.text)));
    });
    form.replaceChildren(el('p', {}, t('sign_check.why')), seen,
      el('fieldset', {}, el('legend', { class: 'sr' }, t('sign_check.title')),
        ...rows));
    if (now.evidence.kind === 'place-code') {
      code = el('input', { autocomplete: 'off', required: true });
      form.append(field(t('sign_check.place'), code));
    }
    form.append(go, button('sign_check.cancel', leave));
    begin.hidden = true;
    form.hidden = false;
    show();
    form.querySelector('input').focus();
  }

  function boxes() {
    return [...form.querySelectorAll('input[type=checkbox]')];
  }

  function show() {
    if (!now || form.hidden)
      return;
    const evidence = now.evidence;
    const isSeen = evidence.satisfied && evidence.kind !== 'place-code';
    say(seen, isSeen ? '✓ ' + t('sign_check.seen')
      : (evidence.kind === 'place-code' ? '' : t('sign_check.not_seen') + ' ')
        + word('evidence.' + evidence.kind, evidence.hint));
    seen.className = isSeen ? 'seen' : 'unseen';
    go.disabled = !link.isLive() || !boxes().every((box) => box.checked) ||
      !isShut || (evidence.kind !== 'place-code' && !evidence.satisfied);
  }

  async function sign(event) {
    event.preventDefault();
    const result = await act(place, 'check.sign', { check: now.check,
      agreed: boxes().filter((box) => box.checked).map((box) => box.value),
      ...(code ? { place_code: code.value } : {}) },
    (signed) => t('sign_check.done', { time: clock(signed.until) }));
    if (result)
      leave(true);
  }

  function leave(isSigned) {
    clearInterval(timer);
    now = null;
    form.hidden = true;
    form.replaceChildren();
    begin.hidden = false;
    if (isSigned !== true)
      place.replaceChildren();
    begin.focus();
  }

  return {
    node,
    update(state, isLive) {
      begin.disabled = !isLive || !!state.heat;
      if (isHeld && state.check.state !== 'valid')
        place.replaceChildren(); /* the word no longer holds */
      isHeld = state.check.state === 'valid';
      isShut = state.fresh && state.door === 'closed';
      show();
    },
  };
}
