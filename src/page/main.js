/* Sign-in, the way between the views, the connection's word, the stop. */
let me = null;   /* {who, role, rooms, until, label} of hello */
let code = null; /* kept only while this page is open, never stored */
let view = null;
let watched = [];
const TOKEN = 'hg.token';

/* A code that came with a link leaves the address bar before all else. */
function takeFragment() {
  const found = /^#code=([^&]+)/.exec(location.hash);
  if (!found)
    return false;
  history.replaceState(null, '', location.pathname);
  tab.set(TOKEN, null);
  try {
    code = decodeURIComponent(found[1]);
  } catch (error) {
    code = found[1]; /* as it is: the gateway will say that it is wrong */
  }
  return true;
}

/* -- sign-in ------------------------------------------------------------- */

async function greet() {
  const token = tab.get(TOKEN);
  try {
    try {
      enter(await call('hello', token ? { token } : { code }));
    } catch (error) {
      if (error.code !== 1002 || !token || !code)
        throw error;
      enter(await call('hello', { code })); /* the gateway was restarted */
    }
    await rewatch();
    ready();
    if (!view || view.isSign || (view.room && !watched.includes(view.room)))
      route();
  } catch (error) {
    refused(error);
  }
}

function enter(who_) {
  me = who_;
  if (me.token)
    tab.set(TOKEN, me.token);
}

function refused(error) {
  if (error.code === 1005 && me) {
    waitFor(error.data.retry_after_s * 1000);
  } else if ([1002, 1003, 1005, -32602].includes(error.code)) {
    const isOld = error.code === 1002 && (me || !code);
    const typed = code;
    signOut(null);
    if (isOld)
      signView([el('p', {}, t(typed ? 'sign.ended' : 'sign.again'))]);
    else
      signView(explain(error), typed);
  } else if (link.socket) {
    dropped(); /* and try again later */
  }
}

function signOut(key) {
  tab.set(TOKEN, null);
  me = code = null;
  view = null;
  rooms.clear();
  watched = [];
  hangUp();
  if (key)
    signView([el('p', {}, t(key))]);
}

function signView(message, typed) {
  const place = el('div', { class: 'outcome', role: 'alert' },
    ...(message || []));
  const input = el('input', { required: true, autocomplete: 'off',
    autocapitalize: 'characters', spellcheck: 'false', maxlength: 64,
    class: 'code', value: typed });
  show({ isSign: true,
    node: el('div', {}, head(t('sign.title')), place,
      el('form', { onsubmit(event) {
        event.preventDefault();
        code = input.value;
        place.replaceChildren(el('p', {}, t('sign.trying')));
        link.isWanted = true;
        link.tries = 0;
        if (link.socket)
          greet();
        else
          connect();
      } }, field(t('sign.code'), input, el('small', {}, t('sign.hint'))),
      el('button', { class: 'go' }, t('sign.go')))) });
  input.focus();
}

/* -- rooms --------------------------------------------------------------- */

async function watch(names) {
  const gone = watched.filter((name) => !names.includes(name));
  watched = names;
  gone.forEach((room) => call('room.unwatch', { room }).catch(() => {}));
  await rewatch();
}

async function rewatch() {
  watched = watched.filter((name) => me.rooms.includes(name));
  if (!watched.length)
    watched = me.rooms.slice(0, WATCHED_MAX);
  const names = watched;
  await Promise.all(names.map(async (room) => {
    roomOf(room).heat_id = null; /* what was missed is fetched */
    takeState(await call('room.watch', { room }));
  }));
}

/* The cheap question that breaks a silence. */
async function ask() {
  if (view && view.ask)
    await view.ask();
  else if (me.rooms.length)
    takeState(await call('room.state', { room: me.rooms[0] }));
  else
    await call('room.list');
}

/* -- views --------------------------------------------------------------- */

const TABS = { rooms: boardView, codes: codesView, journal: journalView,
  reports: reportsView };

function show(next) {
  view = next;
    $('main').replaceChildren(view.node);
  $('nav').hidden = !me || (!isStaff() && me.rooms.length < 2);
  $('out').hidden = !me;
  $('bar').hidden = !me || !me.rooms.length;
  $('said').replaceChildren();
  window.scrollTo(0, 0);
  const title = view.node.querySelector('h1');
  document.title = title.textContent + ' – Heatgate';
  title.focus({ preventScroll: true });
  draw();
}

function navigation(here) {
  const keys = isStaff() ? Object.keys(TABS) : ['rooms'];
  $('nav').setAttribute('aria-label', t('nav'));
  $('nav').replaceChildren(...keys.map((key) => el('a', { href: '#/' + key,
    'aria-current': key === here ? 'page' : null }, t(key))));
}

async function route() {
  if (!me) {
    signView();
    return;
  }
  const [, where, name] = location.hash.split('/');
  const only = me.rooms.length === 1 && !isStaff() ? me.rooms[0] : null;
  const room = where === 'room' && me.rooms.includes(name) ? name
    : where in TABS ? null : only;
  navigation(room ? 'rooms' : where in TABS ? where : 'rooms');
  if (room && !watched.includes(room))
    await watch([room]).catch(() => {});
  show(room && roomOf(room).state ? roomView(room)
    : where in TABS && (isStaff() || where === 'rooms') ? TABS[where]()
      : boardView());
}

/* -- drawing ------------------------------------------------------------- */

let isDrawing = false;

function draw() {
  if (isDrawing)
    return;
  isDrawing = true;
  requestAnimationFrame(() => {
    isDrawing = false;
    look();
  });
}

/* What is wrong with the connection; empty when nothing is. */
function linkText() {
  if (!me)
    return link.isWanted && !link.socket ? t('link.lost') : '';
  if (link.isLive())
    return '';
  return t(link.socket && link.isReady ? 'link.quiet' : 'link.lost');
}

/* Everything that depends on now. */
function look() {
  const text = linkText();
  document.body.classList.toggle('down', text !== '' && !!me);
  if (text) {
    const left = Math.ceil((link.nextAt - performance.now()) / 1000);
    same($('link'), lang, () => [el('p', {}), el('span',
      { 'aria-hidden': 'true' }), button('link.now', retryNow)]);
    const [what, more] = $('link').children;
    say(what, text); /* read out once; what counts on is for the eye */
    say(more, (me ? t('link.age', { age: age(since(link.heard)) }) + ' ' : '') +
      (link.socket || left <= 0 ? t('link.trying')
        : t('link.next', { n: left })));
  } else {
    same($('link'), 'none', () => []);
  }
  if (view && view.update)
    view.update();
  stopLabel();
}

/* -- stop ---------------------------------------------------------------- */

const labelOf = (name) => ((rooms.get(name) || {}).state || {}).label || name;

function stopRooms() {
  if (view && view.room)
    return [view.room];
  if (me && me.rooms.length === 1)
    return me.rooms;
  return [...rooms.values()].filter((room) => room.state &&
    (room.state.heat || room.state.heater === 'on')).map((room) => room.name);
}

function stopLabel() {
  const names = stopRooms();
  say($('stop'), names.length === 1 ? t('stop', { room: labelOf(names[0]) })
    : t(names.length ? 'stop.all' : 'stop.idle'));
  $('stop').disabled = !names.length;
}

/* One line a room: a success must not hide what failed. */
function stopOne(name) {
  const room = labelOf(name), line = el('p', {}, t('stop.sent', { room }));
  const bad = (key) => {
    line.className = 'bad';
    say(line, t(key));
  };
  const late = setTimeout(bad, QUIET_MS, 'stop.unsure');
  (link.isReady ? call('heat.stop', { room: name })
    : Promise.reject({ code: 'offline' })).then(() => {
    line.className = '';
    say(line, t('stop.done', { room, time: clock(serverNow()) }));
  }, (error) => {
    if (error.code === 'offline')
      bad('stop.offline');
    else if (error.code === 'timeout' || error.code === 'lost')
      bad('stop.unsure');
    else
      line.replaceChildren(...explain(error)[0].childNodes);
  }).finally(() => clearTimeout(late));
  return line;
}

/* One tap, nothing asked, nothing waited for: sent at once or said so. */
function stop() {
  $('said').replaceChildren(...stopRooms().map(stopOne));
}

/* -- begin --------------------------------------------------------------- */

async function speak(next) {
  const answer = await fetch('/' + next + '.json');
  words = await answer.json();
  lang = next;
  document.documentElement.lang = lang;
  const other = Object.keys(LANGS).find((one) => one !== lang);
  say($('lang'), LANGS[other]);
  $('lang').lang = other;
  say($('skip'), t('skip'));
  say($('out'), t('out'));
}

function begin() {
  if (code || tab.get(TOKEN)) {
    link.isWanted = true;
    connect();
  } else {
    signView();
  }
}

takeFragment();
$('lang').addEventListener('click', () => speak($('lang').lang).then(() => {
  kept.set('hg.lang', lang);
  route();
}).catch(() => {}));
$('skip').addEventListener('click', (event) => {
  event.preventDefault();
  $('main').focus();
});
$('out').addEventListener('click', () => signOut('sign.signed_out'));
$('stop').addEventListener('click', stop);
window.addEventListener('hashchange', () => {
  if (!takeFragment()) {
    route();
    return;
  }
  const next = code;
  signOut(null);
  code = next;
  begin();
});
/* a weak signal may need a few tries for the words */
(function first() {
  speak(lang).then(begin, () => setTimeout(first, ASK_MS));
})();
