/*
 * Small tools: elements, words, times. Text from outside becomes text nodes
 * only; nothing here or elsewhere parses HTML.
 */
const $ = (id) => document.getElementById(id);
const SVG = 'http://www.w3.org/2000/svg';

function fill(node, attrs, kids) {
  for (const [name, value] of Object.entries(attrs || {})) {
    if (name.startsWith('on'))
      node.addEventListener(name.slice(2), value);
    else if (value === true)
      node.setAttribute(name, '');
    else if (value !== false && value != null)
      node.setAttribute(name, value);
  }
  node.append(...kids.filter((kid) => kid != null));
  return node;
}

function el(tag, attrs, ...kids) {
  return fill(document.createElement(tag), attrs, kids);
}

function svg(tag, attrs, ...kids) {
  return fill(document.createElementNS(SVG, tag), attrs, kids);
}

/* Only what changes is written: focus stays, readers are not woken. */
function say(node, text) {
  if (node.textContent !== text)
    node.textContent = text;
}

function same(node, key, make) {
  if (node.madeOf === key)
    return;
  node.madeOf = key;
  node.replaceChildren(...make());
}

function button(key, onclick, attrs) {
  return el('button', { type: 'button', onclick, ...attrs }, t(key));
}

const head = (text) => el('h1', { tabindex: '-1' }, text);

let count = 0;
function field(label, input, hint) {
  count += 1;
  input.id = 'f' + count;
  const kids = [el('label', { for: input.id }, label), input];
  if (hint) {
    hint.id = input.id + 'h';
    input.setAttribute('aria-describedby', hint.id);
    kids.push(hint);
  }
  return el('div', { class: 'field' }, ...kids);
}

function options(select, list, chosen) {
  select.replaceChildren(...list.map(([value, text]) =>
    el('option', { value, selected: value === chosen }, text)));
}

/* The catalogues are en.json and so on; a further language is a further one. */
const LANGS = { en: 'English', de: 'Deutsch' };
let words = { text: {}, reasons: {} };
/* The browser's storage, or this page's where the browser keeps nothing. */
function store(name) {
  const own = {};
  const reach = (what, key, value) => {
    try {
      return window[name][what](key, value);
    } catch (error) {
      return own[key] || null;
    }
  };
  return {
    get: (key) => reach('getItem', key),
    set(key, value) {
      own[key] = value;
      reach(value ? 'setItem' : 'removeItem', key, value);
    },
  };
}

/* kept: a language, that cautions were read. tab: the token of a session. */
const kept = store('localStorage'), tab = store('sessionStorage');
let lang = kept.get('hg.lang') || navigator.language.slice(0, 2);
if (!(lang in LANGS))
  lang = 'en';

function t(key, args) {
  return (words.text[key] || key).replace(/\{(\w+)\}/g,
    (all, name) => args && name in args ? args[name] : all);
}

/* A word of the gateway in this language, or as it came. */
function word(key, fallback) {
  return key in words.text ? t(key) : fallback;
}

function reason(code) {
  return words.reasons[code] || [code, ''];
}

/* guest:g-7K2QF as people read it */
function who(by) {
  if (by === me.who)
    return t('you');
  const [role, id] = String(by).split(':');
  return word('role.' + role, word(role, role)) + (id ? ' ' + id : '');
}

/*
 * Time. The phone's clock may be wrong; how far off it is, is learned from
 * the gateway: the smallest difference seen, as delay only adds to it.
 */
let offset = null;

function learnClock(text) {
  const seen = Date.now() - Date.parse(text);
  offset = offset === null ? seen : Math.min(offset + 1, seen);
}

const serverNow = () => Date.now() - (offset || 0);
/* A moment, for ages: neither a sleep nor a changed clock may hide them. */
const moment = () => ({ mono: performance.now(), wall: Date.now() });
const since = (then) => Math.max(performance.now() - then.mono,
  Date.now() - then.wall);

function clock(time, always) {
  const date = new Date(time);
  const isFar = Math.abs(date - serverNow()) > 64800000; /* 18 h */
  return date.toLocaleString(lang, always || isFar
    ? { weekday: 'short', day: 'numeric', month: 'short', hour: '2-digit',
        minute: '2-digit', hourCycle: 'h23' }
    : { hour: '2-digit', minute: '2-digit', hourCycle: 'h23' });
}

function age(ms) {
  const s = Math.max(0, Math.round(ms / 1000));
  return s < 120 ? s + ' s' : s < 7200 ? Math.round(s / 60) + ' min'
    : Math.round(s / 3600) + ' h';
}

function span(minutes) {
  const h = Math.floor(minutes / 60), m = minutes % 60;
  return (h ? h + ' h' : '') + (h && m ? ' ' : '') + (m ? m + ' min' : '');
}

const degrees = (c) => c == null ? '--.-' : c.toFixed(1);

/* RFC 7396, section 2 */
function merge(target, patch) {
  if (patch === null || typeof patch !== 'object' || Array.isArray(patch))
    return patch;
  const result = target !== null && typeof target === 'object' &&
    !Array.isArray(target) ? { ...target } : {};
  for (const [name, value] of Object.entries(patch)) {
    if (value === null)
      delete result[name];
    else
      result[name] = merge(result[name], value);
  }
  return result;
}
