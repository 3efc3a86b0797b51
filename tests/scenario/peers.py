"""More independent peers for the scenarios: people with codes of every role,
a WebSocket client made of a bare socket (RFC 6455), plain HTTP, certificates
made by openssl, and a room whose telemetry the scenario writes itself.
"""
import base64
import hashlib
import json
import os
import socket
import ssl
import struct
import subprocess
import threading
import time
import urllib.error
import urllib.request

from harness import ROOT, SLOW, rfc3339, wait

ROLES = ("guest", "caretaker", "integrator", "manager", "owner")


def stay(begin_s=-3600, end_s=3600):
    return {"from": rfc3339(begin_s), "until": rfc3339(end_s)}


def guest(site, rooms=("heron",), label="a party", **when):
    """A guest's connection; .issued is what guest.issue answered."""
    issued = site.owner.call("guest.issue", rooms=list(rooms), label=label,
                             **stay(**when))
    client = site.client(issued["code"])
    client.issued = issued
    return client


def staff(site, role, rooms=("heron",), label=None):
    issued = site.owner.call("staff.issue", role=role, rooms=list(rooms),
                             label=label or role)
    client = site.client(issued["code"])
    client.issued = issued
    return client


def people(site, rooms=("heron",)):
    """One signed-in connection of each role."""
    return {"guest": guest(site, rooms),
            "caretaker": staff(site, "caretaker", rooms),
            "integrator": staff(site, "integrator", rooms),
            "manager": staff(site, "manager", rooms),
            "owner": site.owner}


# -- HTTP ---------------------------------------------------------------------

def http(site, path, token=None, scheme="http", context=None, method="GET"):
    """status, headers, body"""
    request = urllib.request.Request(
        f"{scheme}://127.0.0.1:{site.port}{path}", method=method)
    if token:
        request.add_header("Authorization", "Bearer " + token)
    try:
        with urllib.request.urlopen(request, timeout=10 * SLOW,
                                    context=context) as answer:
            return answer.status, answer.headers, answer.read().decode()
    except urllib.error.HTTPError as error:
        return error.code, error.headers, error.read().decode()


def metrics(site):
    """Samples of /metrics by name, labels included in the name."""
    status, _, text = http(site, "/metrics")
    assert status == 200, (status, text)
    return {name: float(value) for name, value in
            (line.rsplit(" ", 1) for line in text.split("\n")
             if line and not line.startswith("#"))}


# -- a WebSocket of one's own -------------------------------------------------

class Raw:
    """A client as RFC 6455 describes it, free to break every rule."""
    GUID = "258EAFA5-E914-47DA-95CA-C5AB0DC85B11"  # section 1.3

    def __init__(self, site, unix=False):
        if unix:
            self.socket = socket.socket(socket.AF_UNIX)
            self.socket.connect(site.config["admin_socket"])
        else:
            self.socket = socket.create_connection(("127.0.0.1", site.port))
        self.socket.settimeout(20 * SLOW)
        self.buffer = b""
        self.key = base64.b64encode(os.urandom(16)).decode()

    def send(self, data):
        self.socket.sendall(data)

    def fill(self):
        more = self.socket.recv(65536)
        if not more:
            raise EOFError
        self.buffer += more

    def head(self, **change):
        """The request of a handshake; a header that is None is left out."""
        headers = {"Host": "localhost", "Upgrade": "websocket",
                   "Connection": "Upgrade", "Sec-WebSocket-Key": self.key,
                   "Sec-WebSocket-Version": "13",
                   "Sec-WebSocket-Protocol": "heatgate.rpc.v1"}
        path = change.pop("path", "/v1/rpc")
        for name, value in change.items():
            headers[name.replace("_", "-")] = value
        lines = [f"GET {path} HTTP/1.1"]
        lines += [f"{n}: {v}" for n, v in headers.items() if v is not None]
        return ("\r\n".join(lines) + "\r\n\r\n").encode()

    def handshake(self, **change):
        """status line's number and the headers of the answer"""
        self.send(self.head(**change))
        while b"\r\n\r\n" not in self.buffer:
            self.fill()
        text, self.buffer = self.buffer.split(b"\r\n\r\n", 1)
        first, *rest = text.decode().split("\r\n")
        headers = {}
        for line in rest:
            name, value = line.split(":", 1)
            headers[name.strip().lower()] = value.strip()
        return int(first.split()[1]), headers

    def open(self):
        status, headers = self.handshake()
        assert status == 101, (status, headers)
        return self

    def accept(self):
        """What the server must prove: RFC 6455, 4.2.2, item 5.4."""
        digest = hashlib.sha1((self.key + self.GUID).encode()).digest()
        return base64.b64encode(digest).decode()

    def frame(self, payload, opcode=1, fin=True, mask=True, rsv=0):
        if isinstance(payload, str):
            payload = payload.encode()
        head = bytes([(0x80 if fin else 0) | rsv << 4 | opcode])
        bit = 0x80 if mask else 0
        size = len(payload)
        if size < 126:
            head += bytes([bit | size])
        elif size < 65536:
            head += bytes([bit | 126]) + struct.pack(">H", size)
        else:
            head += bytes([bit | 127]) + struct.pack(">Q", size)
        if not mask:
            return head + payload
        key = os.urandom(4)
        stream = key * (size // 4 + 1)
        masked = (int.from_bytes(payload, "big") ^
                  int.from_bytes(stream[:size], "big")).to_bytes(size, "big")
        return head + key + masked

    def say(self, payload, **how):
        self.send(self.frame(payload, **how))

    def read_frame(self):
        """opcode, payload"""
        def need(count):
            while len(self.buffer) < count:
                self.fill()
        need(2)
        size, at = self.buffer[1] & 0x7f, 2
        assert not self.buffer[1] & 0x80, "a server must not mask (5.1)"
        if size == 126:
            need(4)
            size, at = struct.unpack(">H", self.buffer[2:4])[0], 4
        elif size == 127:
            need(10)
            size, at = struct.unpack(">Q", self.buffer[2:10])[0], 10
        need(at + size)
        opcode = self.buffer[0] & 0x0f
        payload = self.buffer[at:at + size]
        self.buffer = self.buffer[at + size:]
        return opcode, payload

    def answer(self):
        while True:
            opcode, payload = self.read_frame()
            if opcode == 1:
                return json.loads(payload)
            assert opcode != 8, f"closed: {payload}"

    def close_code(self):
        """Code and reason of the close frame; None: just cut off."""
        try:
            while True:
                opcode, payload = self.read_frame()
                if opcode == 8:
                    return (struct.unpack(">H", payload[:2])[0],
                            payload[2:].decode())
        except (EOFError, ConnectionError):
            return None

    def ended(self):
        """Wait for the end of the connection, whatever comes before."""
        try:
            while True:
                self.fill()
        except (EOFError, ConnectionError):
            return True

    def close(self):
        self.socket.close()


# -- a wire that can be cut ---------------------------------------------------

class Wire:
    """A TCP proxy to the broker: cut() ends its connections and lets new ones
    through; freeze() passes nothing on, without a goodbye, until thaw()."""

    def __init__(self, site, port):
        self.target, self.pairs = port, []
        self.open = threading.Event()
        self.open.set()
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()
        site.closers.append(self.close)

    def _accept(self):
        while True:
            try:
                near, _ = self.listener.accept()
                far = socket.create_connection(("127.0.0.1", self.target))
            except OSError:
                return
            for end in (near, far):
                end.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self.pairs.append((near, far))
            for a, b in ((near, far), (far, near)):
                threading.Thread(target=self._pump, args=(a, b),
                                 daemon=True).start()

    def _pump(self, source, sink):
        try:
            while True:
                data = source.recv(65536)
                self.open.wait()
                if not data:
                    break
                sink.sendall(data)
        except OSError:
            pass
        for end in (source, sink):
            try:
                end.shutdown(socket.SHUT_RDWR)
            except OSError:
                pass

    def cut(self):
        pairs, self.pairs = self.pairs, []
        for pair in pairs:
            for end in pair:
                try:
                    end.shutdown(socket.SHUT_RDWR)
                except OSError:
                    pass

    def freeze(self):
        self.open.clear()

    def thaw(self):
        self.open.set()

    def close(self):
        self.thaw()
        self.listener.close()
        self.cut()


# -- a room written by hand ---------------------------------------------------

class Controller:
    """Publishes telemetry of one room like a well-behaved controller, every
    period_s, from the members of `reading`; follows nothing."""

    def __init__(self, site, observer, room, period_s=0.4, boot="b001",
                 online=True):
        self.observer, self.room, self.boot = observer, room, boot
        self.seq, self.start = 0, time.monotonic()
        self.reading = {"air_c": 20.0, "door": "closed", "heater": "off"}
        self.stopped = threading.Event()
        self.lock = threading.Lock()
        if online:
            self.online(True)
        self.say()
        self.thread = threading.Thread(target=self._run, args=(period_s,),
                                       daemon=True)
        self.thread.start()
        site.closers.append(self.close)

    def message(self, **change):
        with self.lock:
            self.seq += 1
            message = {"v": 1, "boot": self.boot, "seq": self.seq,
                       "uptime_ms": int((time.monotonic() - self.start)
                                        * 1000) + 1000}
            message.update(self.reading)
        message.update(change)
        return message

    def say(self, **change):
        message = self.message(**change)
        self.observer.publish(f"{ROOT}/{self.room}/telemetry", message)
        return message

    def event(self, name, retain=False, **change):
        with self.lock:
            self.seq += 1
            message = {"v": 1, "boot": self.boot, "seq": self.seq,
                       "event": name}
        message.update(change)
        self.observer.publish(f"{ROOT}/{self.room}/event", message,
                              retain=retain)
        return message

    def check(self, client):
        """Open and close the door, then sign as this client."""
        client.watch(self.room)
        for door in ("open", "closed"):
            self.reading["door"] = door
            client.see(self.room, lambda s: s["door"] == door, door)
        opened = client.call("check.open", room=self.room)
        return client.call("check.sign", check=opened["check"],
                           agreed=[s["id"] for s in opened["statements"]])

    def online(self, value):
        self.observer.publish(f"{ROOT}/{self.room}/online",
                              {"v": 1, "online": value}, retain=True)

    def _run(self, period_s):
        while not self.stopped.wait(period_s):
            self.say()

    def close(self):
        self.stopped.set()
        self.thread.join()


# -- certificates -------------------------------------------------------------

class Certificates:
    """A certification authority of the scenario's own, made by openssl."""

    def __init__(self, site, name="ca"):
        self.dir, self.name = site.dir, name
        self.ca = self.path("crt")
        self._openssl("req", "-x509", "-newkey", "ec", "-pkeyopt",
                      "ec_paramgen_curve:P-256", "-nodes", "-days", "2",
                      "-subj", f"/CN={name}", "-keyout", self.path("key"),
                      "-out", self.ca)

    def path(self, kind, name=None):
        return os.path.join(self.dir, f"{name or self.name}.{kind}")

    @staticmethod
    def _openssl(*args):
        done = subprocess.run(["openssl", *args], stdout=subprocess.PIPE,
                              stderr=subprocess.STDOUT, text=True)
        assert done.returncode == 0, f"openssl {args}: {done.stdout}"

    def issue(self, name, alt):
        """A certificate for the subject alternative name, such as
        IP:127.0.0.1 or DNS:example; (certificate, key)."""
        extra = self.path("ext", name)
        with open(extra, "w") as file:
            file.write(f"subjectAltName={alt}\n")
        self._openssl("req", "-newkey", "ec", "-pkeyopt",
                      "ec_paramgen_curve:P-256", "-nodes", "-subj",
                      f"/CN={name}", "-keyout", self.path("key", name),
                      "-out", self.path("csr", name))
        self._openssl("x509", "-req", "-in", self.path("csr", name), "-CA",
                      self.ca, "-CAkey", self.path("key"), "-CAcreateserial",
                      "-days", "2", "-extfile", extra, "-out",
                      self.path("crt", name))
        for kind in ("crt", "key"):
            os.chmod(self.path(kind, name), 0o644)
        os.chmod(self.path("key", name), 0o600)
        return self.path("crt", name), self.path("key", name)


def tls_context(ca, low=None, high=None):
    context = ssl.create_default_context(cafile=ca)
    if low:
        context.minimum_version = low
    if high:
        context.maximum_version = high
        # Debian's security level 2 rules out TLS 1.1; the peer shall decide
        context.set_ciphers("ALL:@SECLEVEL=0")
    return context


def resident_kb(process):
    with open(f"/proc/{process.pid}/status") as file:
        for line in file:
            if line.startswith("VmRSS:"):
                return int(line.split()[1])
    raise AssertionError("no VmRSS")


def small_quarantine():
    """AddressSanitizer keeps 256 MiB of freed memory; not where memory is
    what is measured. No effect on other builds."""
    os.environ["ASAN_OPTIONS"] = "quarantine_size_mb=1"


def wait_record(site, count=1, **match):
    return wait(lambda: (lambda r: len(r) >= count and r)(
        site.journal(**match)), f"a record {match}")
