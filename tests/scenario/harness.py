"""A whole site on loopback for the scenarios: a real mosquitto broker, the
real heatgated, heatgate-sim with its truth, and independent clients
(python3-websockets and python3-paho-mqtt from Debian).

Nothing here sleeps to be right: every wait is for a condition, with a bound.
HG_SLOW multiplies the bounds (sanitizers, busy machines). With HG_RECORD, a
folder, every message that is seen goes into a file there, one JSON line each;
tests/outside/npm holds them against the schemas.
"""
import asyncio
import fcntl
import itertools
import json
import os
import random
import shutil
import signal
import socket
import ssl
import subprocess
import sys
import tempfile
import threading
import time
import uuid

import paho.mqtt.client as paho
import websockets

TOP = os.path.dirname(os.path.dirname(os.path.dirname(
    os.path.abspath(__file__))))
BIN = os.environ.get("HG_BIN", os.path.join(TOP, "build", "gcc"))
SLOW = float(os.environ.get("HG_SLOW", "1"))
SUBPROTOCOL = "heatgate.rpc.v1"
ROOT = "heatgate/v1"
SIMS = itertools.count(1)


class Recorder:
    """Messages as seen by one scenario, for the checks of the contract."""
    _file, _lock, _count = None, threading.Lock(), 0

    @classmethod
    def connection(cls):
        with cls._lock:
            cls._count += 1
            return cls._count

    @classmethod
    def note(cls, **line):
        folder = os.environ.get("HG_RECORD")
        if not folder:
            return
        with cls._lock:
            if cls._file is None:
                os.makedirs(folder, exist_ok=True)
                cls._file = open(os.path.join(
                    folder, f"{os.path.basename(sys.argv[-1])}-"
                            f"{os.getpid()}.jsonl"), "a", buffering=1)
            cls._file.write(json.dumps(line) + "\n")


def boottime():
    return time.clock_gettime(time.CLOCK_BOOTTIME)


PORTS = range(20000, 32000)  # below those that Linux gives to clients
HELD = []                    # what keeps the ports ours while we live


def free_port():
    """A port that nobody listens on, that no client's connection can be given
    and that no other scenario is handed while this process lives."""
    folder = os.path.join(tempfile.gettempdir(), "heatgate-test-ports")
    os.makedirs(folder, exist_ok=True)
    for port in random.sample(PORTS, 1000):
        hold = open(os.path.join(folder, str(port)), "w", encoding="ascii")
        try:
            fcntl.flock(hold, fcntl.LOCK_EX | fcntl.LOCK_NB)
            with socket.socket() as probe:
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                probe.bind(("127.0.0.1", port))
        except OSError:
            hold.close()
            continue
        HELD.append(hold)
        return port
    raise AssertionError("no port is free")


class InVain(AssertionError):
    """A bound ran out: the one failure that a busy machine can cause."""


def wait(condition, what, seconds=20, every=0.02):
    """The first true value of condition(); InVain after the bound."""
    end = time.monotonic() + seconds * SLOW
    while True:
        value = condition()
        if value:
            return value
        if time.monotonic() > end:
            raise InVain(f"waited {seconds * SLOW:.0f} s in vain for: "
                         f"{what() if callable(what) else what}")
        time.sleep(every)


class RpcError(Exception):
    def __init__(self, error):
        super().__init__(json.dumps(error))
        self.code = error["code"]
        self.message = error.get("message")
        self.data = error.get("data")

    @property
    def reasons(self):
        return {r["code"] for r in (self.data or {}).get("reasons", [])}


class Loop:
    """One asyncio loop in a thread, for all clients of a run."""
    _loop = None

    @classmethod
    def run(cls, coroutine, seconds=30):
        if cls._loop is None:
            cls._loop = asyncio.new_event_loop()
            threading.Thread(target=cls._loop.run_forever,
                             daemon=True).start()
        future = asyncio.run_coroutine_threadsafe(coroutine, cls._loop)
        return future.result(seconds * SLOW)


def merge(target, patch):
    """RFC 7396, section 2."""
    if not isinstance(patch, dict):
        return patch
    result = dict(target) if isinstance(target, dict) else {}
    for name, value in patch.items():
        if value is None:
            result.pop(name, None)
        else:
            result[name] = merge(result.get(name), value)
    return result


class Loose(dict):
    """A patched copy: an absent member equals null (contract 7)."""

    def __missing__(self, name):
        return None


class Client:
    """A JSON-RPC client on a WebSocket, TCP, TLS or Unix."""

    def __init__(self, url=None, unix=None, tls=None):
        self.answers, self.rooms, self.patches = {}, {}, []
        self.next_id = 0
        self.closed = None
        self.number = Recorder.connection()
        self.lock = threading.Condition()
        self.socket = Loop.run(self._open(url, unix, tls))
        asyncio.run_coroutine_threadsafe(self._read(), Loop._loop)

    async def _open(self, url, unix, tls):
        options = {"subprotocols": [SUBPROTOCOL], "max_size": None,
                   "ping_interval": None, "open_timeout": 10 * SLOW}
        if unix:
            return await websockets.unix_connect(
                unix, "ws://localhost/v1/rpc", **options)
        return await websockets.connect(url, ssl=tls, **options)

    async def _read(self):
        try:
            async for text in self.socket:
                Recorder.note(via="ws", dir="in", on=self.number, text=text)
                message = json.loads(text)
                with self.lock:
                    self._take(message)
                    self.lock.notify_all()
        except websockets.ConnectionClosed:
            pass
        with self.lock:
            self.closed = (self.socket.close_code, self.socket.close_reason)
            self.lock.notify_all()

    def _take(self, message):
        if isinstance(message, dict) and message.get("method") == \
                "room.patch":
            params = message["params"]
            room = params["room"]
            if room in self.rooms:
                assert params["rev"] > self.rooms[room]["rev"], "rev rises"
                self.rooms[room] = Loose(merge(self.rooms[room],
                                               params["patch"]))
            self.patches.append(params)
        else:
            key = message.get("id") if isinstance(message, dict) else None
            self.answers.setdefault(key, []).append(message)

    def send(self, text):
        if isinstance(text, str):
            Recorder.note(via="ws", dir="out", on=self.number, text=text)
        Loop.run(self.socket.send(text))

    def answer(self, key, seconds=20):
        end = time.monotonic() + seconds * SLOW
        with self.lock:
            while not self.answers.get(key):
                left = end - time.monotonic()
                if self.closed:
                    raise AssertionError(
                        f"no answer to {key}; closed: {self.closed}")
                if left <= 0:
                    raise InVain(f"no answer to {key}")
                self.lock.wait(min(left, 0.2))
            return self.answers[key].pop(0)

    def begin(self, method, **params):
        self.next_id += 1
        self.send(json.dumps({"jsonrpc": "2.0", "id": self.next_id,
                              "method": method, "params": params}))
        return self.next_id

    def call(self, method, **params):
        message = self.answer(self.begin(method, **params))
        if "error" in message:
            raise RpcError(message["error"])
        return message["result"]

    def refused(self, method, **params):
        """The RpcError that this call must bring."""
        try:
            result = self.call(method, **params)
        except RpcError as error:
            return error
        raise AssertionError(f"{method} was granted: {result}")

    def watch(self, room):
        state = self.call("room.watch", room=room)
        with self.lock:
            self.rooms[room] = Loose(state)
            for params in self.patches:
                if params["room"] == room and params["rev"] > state["rev"]:
                    self.rooms[room] = Loose(merge(self.rooms[room],
                                                   params["patch"]))
        return state

    def see(self, room, condition, what, seconds=20):
        return wait(lambda: condition(self.rooms[room]) and self.rooms[room],
                    lambda: f"{what}; last seen {json.dumps(self.rooms[room])}",
                    seconds)

    def wait_closed(self, seconds=20):
        wait(lambda: self.closed, "the connection to be closed", seconds)
        return self.closed

    def close(self):
        if not self.closed:
            Loop.run(self.socket.close())


class Observer:
    """An independent MQTT 5 client that keeps all it hears."""

    def __init__(self, port, topics=(ROOT + "/#",), **kwargs):
        self.messages = []
        self.lock = threading.Lock()
        self.mark, self.marks = f"observer/{uuid.uuid4()}", 0
        self.marked = threading.Event()
        self.client = paho.Client(client_id=kwargs.get("client_id", ""),
                                  protocol=paho.MQTTv5)
        if "username" in kwargs:
            self.client.username_pw_set(kwargs["username"],
                                        kwargs.get("password"))
        self.client.on_message = self._on_message
        ready = threading.Event()
        self.client.on_connect = lambda *a: (
            [self.client.subscribe(t, qos=1) for t in topics])
        self.client.on_subscribe = lambda *a: ready.set()
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert ready.wait(10 * SLOW), "the observer could not subscribe"

    @staticmethod
    def _record(direction, topic, payload, retain):
        Recorder.note(via="mqtt", dir=direction, topic=topic,
                      text=payload.decode("utf-8", "replace"),
                      retain=bool(retain))

    def _on_message(self, client, userdata, message):
        if message.topic == self.mark:
            if int(message.payload) == self.marks:
                self.marked.set()
            return
        self._record("in", message.topic, message.payload, message.retain)
        with self.lock:
            self.messages.append(
                (boottime(), message.topic, message.payload, message.retain,
                 message.properties))

    def catch_up(self, seconds=2):
        """Hear all that the broker has passed on to others by now: a message
        to ourselves comes after it. Without a broker it returns in the end."""
        self.marked.clear()
        self.marks += 1
        self.client.subscribe(self.mark, qos=1)
        self.client.publish(self.mark, str(self.marks), qos=1)
        self.marked.wait(seconds * SLOW)

    def all(self, topic):
        with self.lock:
            return [(at, json.loads(payload) if payload else None)
                    for at, t, payload, _, _ in self.messages if t == topic]

    def permits(self, room):
        return self.all(f"{ROOT}/{room}/permit")

    def notices(self, room, code=None):
        return [m for _, m in self.all(f"{ROOT}/{room}/notice")
                if code is None or m["code"] == code]

    def publish(self, topic, payload, qos=1, retain=False, properties=None):
        if not isinstance(payload, (str, bytes)):
            payload = json.dumps(payload)
        if isinstance(payload, str):
            payload = payload.encode()
        self._record("out", topic, payload, retain)
        self.client.publish(topic, payload, qos=qos, retain=retain,
                            properties=properties).wait_for_publish(10)

    def close(self):
        self.client.loop_stop()
        self.client.disconnect()


class Sim:
    """heatgate-sim, driven and asked for the truth over its socket."""

    def __init__(self, site, rooms, period_ms=400, speed=1, extra=()):
        self.site = site
        self.path = os.path.join(site.dir, f"sim-{next(SIMS)}.sock")
        args = [os.path.join(BIN, "heatgate-sim"), "--port",
                str(site.broker_port), "--period-ms", str(period_ms),
                "--speed", str(speed), "--control", self.path, "--seed", "7"]
        for room in rooms:
            args += ["--room", room]
        self.process = site.spawn("sim", args + list(extra))
        self.socket = wait(self._connect, "the simulator's socket")
        self.file = self.socket.makefile("rw")

    def _connect(self):
        """The socket, or None while the simulator is not listening yet."""
        connection = socket.socket(socket.AF_UNIX)
        try:
            connection.connect(self.path)
            return connection
        except OSError:
            connection.close()
            return None

    def do(self, line):
        self.file.write(line + "\n")
        self.file.flush()
        answer = self.file.readline().strip()
        assert answer and not answer.startswith("error"), \
            f"simulator: {line}: {answer}"
        return answer

    def truth(self, room):
        return json.loads(self.do(f"{room} state"))

    def look_in(self, room):
        self.do(f"{room} door open for 1s")

    def wait_off(self, room, seconds=20):
        return wait(lambda: (lambda t: not t["truth_on"] and t)(
            self.truth(room)), f"the heater of {room} to be off", seconds)

    def wait_on(self, room, seconds=20):
        truth = wait(lambda: (lambda t: t["truth_on"] and t)(
            self.truth(room)), f"the heater of {room} to be on", seconds)
        if self.site.observer:
            self.site.observer.catch_up()
        return truth


class Site:
    """A broker and a gateway in a directory of their own."""

    def __init__(self, rooms=None, **config):
        self.dir = tempfile.mkdtemp(prefix="heatgate-scenario-")
        os.chmod(self.dir, 0o755)
        self.processes, self.closers = {}, []
        self.observer = None
        self.broker_port, self.port = free_port(), free_port()
        self.broker_extra = config.pop("broker_extra", "")
        self.config = {
            "broker": {"host": "127.0.0.1", "port": self.broker_port},
            "listen": {"address": "127.0.0.1", "port": self.port},
            "admin_socket": os.path.join(self.dir, "admin.sock"),
            "state_dir": os.path.join(self.dir, "state"),
            "wall_clock": "trusted", "timezone": "UTC",
            "rooms": rooms or {"heron": self.room(),
                               "otter": self.room(
                                   label="Otter cabin",
                                   usage_class="semi-public")},
        }
        self.config.update(config)
        os.mkdir(os.path.join(self.dir, "state"), 0o700)

    @staticmethod
    def room(**settings):
        room = {"label": "Heron cabin", "usage_class": "private",
                "heater_kw": 6, "volume_m3": 8.5, "lease_s": 5,
                "stale_after_s": 3, "late_after_s": 1,
                "commissioning": {"waived": "scenario"}}
        room.update(settings)
        return room

    def __enter__(self):
        return self

    def __exit__(self, kind, value, trace):
        if kind is not None:
            self.dump()
        for closer in self.closers:
            try:
                closer()
            except Exception:
                pass
        for name in list(self.processes):
            self.kill(name)
        shutil.rmtree(self.dir, ignore_errors=True)

    def dump(self):
        for name in ("gateway", "broker", "sim"):
            path = os.path.join(self.dir, name + ".log")
            if os.path.exists(path):
                with open(path, errors="replace") as file:
                    tail = file.readlines()[-40:]
                print(f"--- the end of {name}'s log")
                print("".join(tail))

    def spawn(self, name, args, **kwargs):
        log = open(os.path.join(self.dir, name + ".log"), "ab")
        process = subprocess.Popen(args, stdout=log, stderr=log,
                                   stdin=subprocess.DEVNULL, **kwargs)
        log.close()
        self.processes[name] = process
        return process

    def kill(self, name, how=signal.SIGTERM, seconds=20):
        process = self.processes.pop(name, None)
        if process is None:
            return None
        if process.poll() is None:
            process.send_signal(signal.SIGCONT)
            process.send_signal(how)
        try:
            return process.wait(seconds * SLOW)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
            if how == signal.SIGTERM:
                raise AssertionError(f"{name} did not end on SIGTERM")
            return None

    def start_broker(self):
        path = os.path.join(self.dir, "mosquitto.conf")
        with open(path, "w") as file:
            file.write(f"listener {self.broker_port} 127.0.0.1\n"
                       "set_tcp_nodelay true\nper_listener_settings false\n")
            if "allow_anonymous" not in self.broker_extra:
                file.write("allow_anonymous true\n")
            file.write(self.broker_extra)
        self.spawn("broker", ["mosquitto", "-c", path])
        wait(lambda: self.can_connect(self.broker_port), "the broker")

    @staticmethod
    def can_connect(port):
        try:
            socket.create_connection(("127.0.0.1", port), 1).close()
            return True
        except OSError:
            return False

    def write_config(self):
        path = os.path.join(self.dir, "heatgate.json")
        with open(path, "w") as file:
            json.dump(self.config, file, indent=2)
        return path

    def start_gateway(self, prefix=(), env=None, ready=True, **kwargs):
        args = list(prefix) + [os.path.join(BIN, "heatgated"), "--config",
                               self.write_config()]
        full = dict(os.environ)
        full.update(env or {})
        process = self.spawn("gateway", args, env=full, **kwargs)
        if ready:
            self.wait_ready(process)
        return process

    def wait_ready(self, process=None):
        def is_up():
            if process is not None and process.poll() is not None:
                raise AssertionError(
                    f"heatgated ended with {process.returncode}")
            try:
                client = self.admin()
                client.close()
                return True
            except (OSError, AssertionError, TimeoutError,
                    websockets.WebSocketException):
                return False
        wait(is_up, "the admin socket", 20)

    def start(self, sim_rooms=("heron", "otter"), **sim):
        self.start_broker()
        self.start_gateway()
        self.sim = Sim(self, sim_rooms, **sim) if sim_rooms else None
        self.observer = self.observe()
        self.owner = self.admin()
        for room in self.config["rooms"]:
            self.owner.watch(room)
        if self.sim:
            for room in sim_rooms:
                self.owner.see(room.split(":")[0], lambda s: s["fresh"],
                               "fresh telemetry")
        return self

    def observe(self, **kwargs):
        observer = Observer(self.broker_port, **kwargs)
        self.closers.append(observer.close)
        return observer

    def admin(self):
        client = Client(unix=self.config["admin_socket"])
        self.closers.append(client.close)
        return client

    def client(self, code=None, token=None):
        client = Client(url=f"ws://127.0.0.1:{self.port}/v1/rpc")
        self.closers.append(client.close)
        if code is not None:
            client.who = client.call("hello", code=code)
        if token is not None:
            client.who = client.call("hello", token=token)
        return client

    def check(self, client, room):
        """Look in, then sign the room check as this client."""
        before = wait(lambda: (lambda t: t["door"] == "closed" and t)(
            self.sim.truth(room)), "the door to be closed")["door_count"]
        self.sim.look_in(room)
        wait(lambda: (lambda t: t["door_count"] > before and
                      t["door"] == "closed")(self.sim.truth(room)),
             "the door to open and close")
        # the newest is signed: a room keeps few open checks
        opened = wait(lambda: (lambda o: o["evidence"]["satisfied"] and o)(
            client.call("check.open", room=room)), "the look-in evidence")
        return client.call(
            "check.sign", check=opened["check"],
            agreed=[s["id"] for s in opened["statements"]])

    def heat(self, client, room, target_c=80, duration_min=60):
        return client.call("heat.start", room=room, target_c=target_c,
                           duration_min=duration_min)

    def journal(self, **match):
        """All records of the journal, read from its files."""
        records = []
        folder = os.path.join(self.config["state_dir"], "journal")
        for name in sorted(os.listdir(folder)):
            if name.endswith(".jsonl"):
                with open(os.path.join(folder, name)) as file:
                    records += [json.loads(line) for line in file
                                if line.endswith("\n")]
        return [r for r in records
                if all(r.get(k) == v for k, v in match.items())]

    def verify(self):
        """Offline verification by the program and by standard tools."""
        folder = os.path.join(self.config["state_dir"], "journal")
        head = os.path.join(self.dir, "head.json")
        with open(head, "w") as file:
            json.dump(self.owner.call("journal.head"), file)
        for args in ([os.path.join(BIN, "heatgate"), "journal", "verify",
                      folder, "--head", head],
                     [os.path.join(TOP, "tests", "outside",
                                   "journal-verify"), folder, head]):
            done = subprocess.run(args, stdout=subprocess.PIPE,
                                  stderr=subprocess.STDOUT, text=True)
            assert done.returncode == 0, f"{args}: {done.stdout}"


def rfc3339(seconds_from_now):
    return time.strftime("%Y-%m-%dT%H:%M:%SZ",
                         time.gmtime(time.time() + seconds_from_now))


def tls_client(ca):
    context = ssl.create_default_context(cafile=ca)
    return context
