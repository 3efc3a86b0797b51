/*
 * The connection: JSON-RPC over one WebSocket. Live means that the gateway
 * was heard within QUIET_MS; silence is broken by a cheap question. A slow
 * link may recover; after DEAD_MS it is given up and made anew.
 */
const ASK_MS = 2000, QUIET_MS = 4000, DEAD_MS = 12000, OPEN_MS = 10000;
const ANSWER_MS = 8000, WAIT_MIN_MS = 500, WAIT_MAX_MS = 30000;

const link = {
  socket: null, heard: moment(), begun: moment(), isReady: false,
  isWanted: false, asked: null, tries: 0, nextAt: 0, timer: 0, id: 0,
  calls: new Map(),
  isLive() {
    return this.isReady && since(this.heard) < QUIET_MS;
  },
};

function failCalls(code) {
  for (const call of link.calls.values())
    call.fail({ code });
  link.calls.clear();
}

/* Resolves with the result, rejects with {code, message, data}. */
function call(method, params) {
  return new Promise((done, fail) => {
    if (!link.socket || link.socket.readyState !== WebSocket.OPEN) {
      fail({ code: 'offline' });
      return;
    }
    const id = ++link.id;
    link.calls.set(id, { done, fail, at: moment() });
    link.socket.send(JSON.stringify(
      { jsonrpc: '2.0', id, method, params: params || {} }));
  });
}

function take(message) {
  link.heard = moment();
  if (message.method === 'room.patch') {
    takePatch(message.params);
    return;
  }
  const waiting = link.calls.get(message.id);
  if (!waiting)
    return;
  link.calls.delete(message.id);
  const { error } = message, gone = rooms.get(error?.data?.room);
  if (gone?.state && error.code === 1004)
    gone.state.fresh = false; /* the room was taken away */
  if (error)
    waiting.fail(error);
  else
    waiting.done(message.result);
}

function connect() {
  clearTimeout(link.timer);
  if (!link.isWanted || link.socket)
    return;
  const socket = new WebSocket(location.origin.replace(/^http/, 'ws') +
    '/v1/rpc', 'heatgate.rpc.v1');
  link.socket = socket;
  link.begun = moment();
  link.nextAt = 0;
  socket.onopen = () => {
    link.heard = moment();
    greet();
  };
  socket.onmessage = (event) => {
    if (socket === link.socket)
      take(JSON.parse(event.data));
  };
  socket.onclose = (event) => {
    if (socket === link.socket)
      dropped(event.code);
  };
  look();
}

function dropped(code) {
  const socket = link.socket;
  link.socket = null;
  link.isReady = false;
  link.asked = null;
  if (socket) {
    socket.onclose = socket.onmessage = socket.onopen = null;
    socket.close();
  }
  failCalls('lost');
  if (code === 4001)
    signOut('sign.ended');
  if (link.isWanted) {
    const wait = Math.min(WAIT_MAX_MS, WAIT_MIN_MS * 2 ** link.tries++);
    waitFor(wait / 2 + Math.random() * wait / 2);
  }
  look();
}

function waitFor(ms) {
  link.nextAt = performance.now() + ms;
  clearTimeout(link.timer);
  link.timer = setTimeout(connect, ms);
}

function hangUp() {
  link.isWanted = false;
  clearTimeout(link.timer);
  dropped();
}

/* The sign-in was taken and every room is watched again. */
function ready() {
  link.isReady = true;
  link.tries = 0;
  look();
}

function retryNow() {
  if (link.isWanted && !link.socket)
    connect();
  else
    beat();
}

/* Twice a second, and whenever the phone wakes up. */
function beat() {
  for (const [id, waiting] of link.calls) {
    if (since(waiting.at) > ANSWER_MS) {
      link.calls.delete(id);
      waiting.fail({ code: 'timeout' });
    }
  }
  if (link.socket && link.socket.readyState !== WebSocket.OPEN) {
    if (since(link.begun) > OPEN_MS)
      dropped();
  } else if (link.socket && since(link.heard) > DEAD_MS) {
    dropped();
  } else if (link.isReady && !link.asked && since(link.heard) > ASK_MS) {
    link.asked = ask().catch(() => {}).finally(() => {
      link.asked = null;
    });
  }
  look();
}

setInterval(beat, 500);
window.addEventListener('online', retryNow);
document.addEventListener('visibilitychange', retryNow);
