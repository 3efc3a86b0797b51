"""Whatever comes in: on the WebSocket, in its handshake, from the broker.
The service stays, counts it, and a heat in another room does not notice."""
import json
import random
import time

from harness import ROOT, SLOW, Observer, Site, boottime, wait
from peers import (Controller, Raw, guest, http, metrics, resident_kb,
                   small_quarantine)

LIMIT = 64 * 1024  # bytes of a message: contract 2


def ask(key=1, method="room.list", **params):
    return json.dumps({"jsonrpc": "2.0", "id": key, "method": method,
                       "params": params})


def padded(size):
    """A valid request of exactly so many bytes."""
    text = ask(key="pad")
    return text + " " * (size - len(text))


class Untouched:
    """A heat in otter during the scenario; afterwards it must be the same
    heat with its permit never taken back."""

    def __init__(self, site):
        self.site = site
        site.check(site.owner, "otter")
        self.heat = site.heat(site.owner, "otter", duration_min=60)
        site.sim.wait_on("otter")
        self.since = boottime()

    def __enter__(self):
        return self

    def __exit__(self, kind, value, trace):
        if kind is not None:
            return
        state = self.site.owner.call("room.state", room="otter")
        assert state["heat"] and \
            state["heat"]["heat_id"] == self.heat["heat_id"], state
        assert self.site.sim.truth("otter")["truth_on"]
        revokes = [m for at, m in self.site.observer.permits("otter")
                   if at > self.since and not m["heat"]]
        assert not revokes, revokes
        assert self.site.processes["gateway"].poll() is None


def test_input__the_handshake_is_that_of_rfc_6455():
    with Site() as site:
        site.start()
        # section 1.3's own example
        raw = Raw(site)
        raw.key = "dGhlIHNhbXBsZSBub25jZQ=="
        assert raw.accept() == "s3pPLMBiTxaQ9kYGzzhZRbK+xOo="
        status, headers = raw.handshake()
        assert status == 101
        assert headers["sec-websocket-accept"] == raw.accept()
        assert headers["upgrade"].lower() == "websocket"
        assert "upgrade" in headers["connection"].lower()
        assert headers["sec-websocket-protocol"] == "heatgate.rpc.v1"
        assert "sec-websocket-extensions" not in headers
        raw.say(ask())
        assert raw.answer()["error"]["code"] == 1002
        # a ping is answered with its own payload (5.5.2, 5.5.3)
        raw.say(b"are you there", opcode=9)
        assert raw.read_frame() == (10, b"are you there")
        # a message in fragments with a ping between them (5.4)
        text = ask(key=9).encode()
        raw.say(text[:10], fin=False)
        raw.say(b"between", opcode=9)
        raw.say(text[10:20], opcode=0, fin=False)
        raw.say(text[20:], opcode=0)
        frames = [raw.read_frame(), raw.read_frame()]
        assert (10, b"between") in frames, frames
        assert any(o == 1 and json.loads(p)["id"] == 9 for o, p in frames)
        # a close is answered with a close (5.5.1)
        raw.say(b"\x03\xe8", opcode=8)
        assert raw.close_code()[0] == 1000


def test_input__odd_handshakes_are_refused():
    with Site() as site:
        site.start()
        cases = [
            ({"Sec_WebSocket_Protocol": None}, (400,)),
            ({"Sec_WebSocket_Protocol": "chat"}, (400,)),
            ({"Sec_WebSocket_Protocol": "heatgate.rpc.v2"}, (400,)),
            ({"Sec_WebSocket_Version": "8"}, (426,)),
            ({"Sec_WebSocket_Version": None}, (400, 426)),
            ({"Sec_WebSocket_Key": None}, (400,)),
            ({"Sec_WebSocket_Key": "short"}, (400,)),
            ({"Sec_WebSocket_Key": "dGhlIHNhbXBsZSBub25jZQ"}, (400,)),
            ({"Sec_WebSocket_Key": "!" * 22 + "=="}, (400,)),
            ({"path": "/"}, (404,)),
            ({"path": "/v1/other"}, (404,)),
            ({"Origin": "http://elsewhere.example"}, (403,)),
            ({"Upgrade": "h2c"}, (400, 404, 426)),
        ]
        wrong = []
        for change, statuses in cases:
            raw = Raw(site)
            try:
                status, headers = raw.handshake(**change)
            except (EOFError, ConnectionError):
                status, headers = "cut off", {}
            if status not in statuses:
                wrong.append((change, status))
            if status == 426:
                assert headers["sec-websocket-version"] == "13", headers
            raw.close()
        assert not wrong, wrong
        # several offered: ours is chosen
        raw = Raw(site)
        status, headers = raw.handshake(
            Sec_WebSocket_Protocol="chat, heatgate.rpc.v1")
        assert status == 101
        assert headers["sec-websocket-protocol"] == "heatgate.rpc.v1"
        # no upgrade at all on the way to the rpc
        assert http(site, "/v1/rpc")[0] in (400, 404, 426)
        assert site.owner.call("room.list")["rooms"]


def test_input__what_is_no_websocket_frame_closes_only_itself():
    with Site() as site:
        site.start(speed=10)
        with Untouched(site):
            bystander = guest(site)

            def closed(data, codes):
                raw = Raw(site).open()
                raw.send(data(raw))
                got = raw.close_code()
                assert got is None and None in codes or \
                    got is not None and got[0] in codes, (got, codes)
                raw.close()
            # reserved bits, opcodes, control frames in pieces or too long
            closed(lambda r: r.frame(ask(), rsv=4), (1002, None))
            closed(lambda r: r.frame(b"", opcode=3), (1002, None))
            closed(lambda r: r.frame(b"", opcode=11), (1002, None))
            closed(lambda r: r.frame(b"x" * 126, opcode=9), (1002, None))
            closed(lambda r: r.frame(b"x", opcode=9, fin=False),
                   (1002, None))
            closed(lambda r: r.frame(b"x", opcode=0), (1002, None))
            closed(lambda r: r.frame(b"x", fin=False) + r.frame(b"y"),
                   (1002, None))
            # not UTF-8: 1007 (8.1)
            for bad in (b"\xff\xfe", b"\xc0\x80", b"\xed\xa0\x80",
                        b"\xf5\x80\x80\x80", b'{"a":"\xe2\x28\xa1"}'):
                closed(lambda r: r.frame(bad), (1007,))
            # cut within a symbol over two frames
            closed(lambda r: r.frame(b"\xe2\x82", fin=False) +
                   r.frame(b"x", opcode=0), (1007,))
            # binary: 1003 (7.4.1)
            closed(lambda r: r.frame(b"{}", opcode=2), (1003,))
            # too big: 1009, also in fragments and when only announced
            closed(lambda r: r.frame(padded(LIMIT + 1)), (1009,))
            closed(lambda r: r.frame(padded(LIMIT), fin=False) +
                   r.frame(b" ", opcode=0), (1009,))
            closed(lambda r: r.frame(b"")[:1] + b"\xff" +
                   (2**62).to_bytes(8, "big") + b"abcd" + b"x" * 70000,
                   (1009, 1002, None))
            assert bystander.call("room.list")["rooms"]


def test_input__a_message_of_64_kib_is_taken():
    with Site() as site:
        site.start(sim_rooms=None)
        for unix in (False, True):
            raw = Raw(site, unix).open()
            raw.say(padded(LIMIT))
            assert raw.answer()["id"] == "pad"
            raw.send(b"".join(raw.frame(piece, opcode=1 if at == 0 else 0,
                                        fin=at == LIMIT - 1)
                              for at, piece in
                              ((i, padded(LIMIT)[i:i + 1])
                               for i in range(LIMIT))))
            assert raw.answer()["id"] == "pad", "in frames of one byte"
            raw.say(padded(LIMIT + 1))
            assert raw.close_code()[0] == 1009


def test_input__malformed_json_is_answered_not_obeyed():
    with Site() as site:
        site.start(speed=10)
        with Untouched(site):
            raw = Raw(site, unix=True).open()
            texts = ["", " ", "{", "}", "nul", "[", '{"jsonrpc"', '"',
                     "{'a':1}", "{\"a\":1,}", "[1,]", "NaN", "01", "1e999",
                     '{"a":1e400}', "\ufeff{}", '"\\ud800"', '"\\u0000"',
                     "{}{}", "[][]", "//", '{"a":1 /* c */}', "\x00",
                     '{"jsonrpc":"2.0","id":1,"id":2,"method":"room.list"}',
                     '{"jsonrpc":"2.0","id":1,"method":"room.list\\u0000x"}',
                     '{"jsonrpc":"2.0","id":1,"method":"room.state",'
                     '"params":{"room":"heron\\u0000"}}',
                     "[" * 3000 + "]" * 3000, "[" * 60000,
                     '{"a":' * 12000, '{"a":' * 9000 + "1" + "}" * 9000,
                     '{"jsonrpc":"2.0","id":1,"method":"room.list",'
                     '"params":{"x":' + "[" * 2000 + "]" * 2000 + "}}",
                     '{"jsonrpc":"2.0","id":' + "9" * 5000 +
                     ',"method":"room.list"}',
                     '{"jsonrpc":"2.0","id":"' + "x" * 50000 +
                     '","method":"room.list"}',
                     '{"jsonrpc":"2.0","id":1,"method":"' + "x" * 50000 +
                     '"}']
            for text in texts:
                raw.say(text)
                answer = raw.answer()
                assert isinstance(answer, dict) and \
                    answer["error"]["code"] in (-32700, -32600, -32601,
                                                -32602), (text[:60], answer)
                assert len(json.dumps(answer)) < 1000, \
                    "an error does not echo what came in"
            raw.say(ask(key="still"))
            assert raw.answer()["id"] == "still"


def test_input__random_bytes_and_random_requests_do_no_harm():
    seed = random.randrange(2**32)
    print(f"seed {seed}")
    dice = random.Random(seed)
    methods = ["room.list", "room.state", "room.watch", "check.open",
               "check.sign", "heat.preview", "heat.start", "heat.change",
               "heat.plan", "guest.issue", "lockout.clear", "journal.read",
               "staff.revoke", "hello"]
    names = ["room", "rooms", "target_c", "duration_min", "ready_at", "check",
             "agreed", "id", "after", "limit", "from", "until", "label",
             "note", "lockout", "place_code"]

    def value(depth=0):
        kind = dice.randrange(9 if depth < 3 else 7)
        if kind == 7:
            return [value(depth + 1) for _ in range(dice.randrange(4))]
        if kind == 8:
            return {dice.choice(names): value(depth + 1)
                    for _ in range(dice.randrange(4))}
        return dice.choice([None, True, 0, -1, 1.5, 2**53, -2**63, 1e300, "",
                            "heron", "otter", "nowhere", "x" * 5000, "\u20ac",
                            "2026-12-04T15:00:00Z", "c-0123456789abcdef",
                            "locked-out", 80, 60, "*"])
    with Site() as site:
        site.start(speed=10)
        with Untouched(site):
            raw = Raw(site, unix=True).open()
            for key in range(800):
                method = dice.choice(methods)
                params = {dice.choice(names): value()
                          for _ in range(dice.randrange(6))}
                # the untouched room must be left alone, as a person would
                text = json.dumps(params)
                if "otter" in text or "*" in text or method == "hello":
                    params = {}
                    method = "room.list"
                raw.say(ask(key, method, **params))
                answer = raw.answer()
                while "method" in answer:
                    answer = raw.answer()
                assert answer["id"] == key and \
                    ("result" in answer) != ("error" in answer), answer
            for _ in range(60):
                junk = Raw(site)
                try:
                    junk.send(dice.randbytes(dice.randrange(1, 3000)))
                    junk.socket.settimeout(0.05)
                    junk.socket.recv(10)
                except (OSError, EOFError):
                    pass
                junk.close()
            for _ in range(60):
                junk = Raw(site).open()
                try:
                    junk.send(dice.randbytes(dice.randrange(1, 3000)))
                    junk.socket.settimeout(0.05)
                    junk.socket.recv(10)
                except (OSError, EOFError):
                    pass
                junk.close()


def test_input__slow_and_many_connections_cost_nobody_else():
    with Site() as site:
        site.start(speed=10)
        with Untouched(site):
            guest_client = guest(site)
            slow = []
            for _ in range(100):
                raw = Raw(site)
                raw.send(b"GET /v1/rpc HTTP/1.1\r\nHost: local")
                slow.append(raw)
            start = time.monotonic()
            assert guest_client.call("room.list")["rooms"]
            fresh = guest(site)
            assert fresh.call("room.list")["rooms"]
            assert http(site, "/healthz")[0] == 200
            assert time.monotonic() - start < 3 * SLOW
            for raw in slow:
                raw.ended()
            took = time.monotonic() - start
            assert took < 12 * SLOW, f"slow headers were kept {took:.0f} s"


def test_input__a_hundred_clients_at_once():
    with Site() as site:
        site.start(speed=10)
        with Untouched(site):
            first = guest(site)
            token = first.who["token"]
            clients = [site.client(token=token) for _ in range(100)]
            for client in clients:
                client.watch("heron")
            site.sim.do("heron door open")
            for client in clients:
                client.see("heron", lambda s: s["door"] == "open", "open")
            keys = [c.begin("room.state", room="heron") for c in clients]
            for client, key in zip(clients, keys):
                assert client.answer(key)["result"]["door"] == "open"
            before = metrics(site)["heatgate_connections"]
            assert before >= 100
            for client in clients:
                client.close()
            wait(lambda: metrics(site)["heatgate_connections"] < 10,
                 "the connections to be forgotten")


GOOD = {"v": 1, "boot": "b", "seq": 1, "uptime_ms": 1000, "air_c": 20.0,
        "door": "closed", "heater": "off"}


def bad_telemetry():
    """Payloads that are no telemetry, one fault each."""
    for text in (b"", b"{", b"[]", b"null", b"7", b'"x"', b"\xff\xfe\x00",
                 b"{}", b"[" * 5000, b'{"a":' * 5000,
                 json.dumps(GOOD).encode() + b"x",
                 json.dumps(GOOD).encode().replace(b"20.0", b"NaN"),
                 json.dumps(GOOD).encode().replace(b"20.0", b"1e999"),
                 json.dumps(GOOD).encode("utf-16")):
        yield text
    for name, values in (
            ("v", [None, 0, 2, "1", 1.5, True, {}]),
            ("boot", [None, "", 7, "x" * 500, [], {}]),
            ("seq", [None, -1, 1.5, "1", 2**53, 2**64, True, []]),
            ("uptime_ms", [None, -1, "1", 2**53, 1e300, {}]),
            ("air_c", ["20", True, {}, []]),
            ("door", ["ajar", "", 0, True, {}, "OPEN"]),
            ("heater", [None, "", "ON", 1, True, []]),
            ("permit", ["1", -1, 1.5, {}, 2**63]),
            ("door_count", ["1", -1, 1.5, {}, 2**64]),
            ("module_c", ["1", {}, True]),
            ("module_rh", ["1", {}, True]),
            ("power_w", ["1", {}, True]),
            ("energy_wh", ["1", {}, True])):
        for value in values:
            yield json.dumps({**GOOD, name: value}).encode()
    for name in GOOD:
        yield json.dumps({k: v for k, v in GOOD.items() if k != name}).encode()


def test_input__bad_telemetry_proves_nothing_and_is_counted():
    with Site() as site:
        site.start(sim_rooms=("otter",), speed=10)
        observer = site.observer
        with Untouched(site):
            observer.publish(f"{ROOT}/heron/online",
                             {"v": 1, "online": True}, retain=True)
            before = metrics(site)
            count = 0
            for payload in bad_telemetry():
                observer.publish(f"{ROOT}/heron/telemetry", payload)
                count += 1
            wait(lambda: metrics(site)["heatgate_messages_total"] >=
                 before["heatgate_messages_total"] + count, "all to be read")
            after = metrics(site)
            state = site.owner.call("room.state", room="heron")
            assert state["fresh"] is False, state
            assert not state["may_start"]
            rise = after["heatgate_messages_malformed_total"] - \
                before["heatgate_messages_malformed_total"]
            assert rise >= count * 0.9, (rise, count)
            for topic, payloads in (
                    ("event", (b"", b"{}", b"[]", b"\xff",
                               {"v": 1, "boot": "b", "seq": 1, "event": "x"},
                               {"v": 1, "boot": "b", "seq": 2, "event": 7},
                               {"v": 2, "boot": "b", "seq": 3,
                                "event": "room-check"})),
                    ("online", (b"", b"{}", b"true", b"\xff",
                                {"v": 1, "online": "yes"},
                                {"v": 1, "online": None})),
                    ("permit", (b"", b"{}", b"[]", b"\xff",
                                {"v": 1, "serial": "x", "heat": True},
                                {"v": 1, "serial": 2**60, "heat": True,
                                 "target_c": 80, "ttl_ms": 1000})),
                    ("state", (b"x",)), ("notice", (b"x",))):
                for payload in payloads:
                    observer.publish(f"{ROOT}/heron/{topic}", payload)
            for topic in (f"{ROOT}/rpc", f"{ROOT}/journal",
                          f"{ROOT}/gateway"):
                for payload in (b"", b"{", b"\xff", b"[]", b'"x"',
                                {"v": 1, "online": 7, "epoch": "x"}):
                    observer.publish(topic, payload)
            assert site.owner.call("room.state", room="heron")["phase"] == \
                "idle"
        # a heat in the room itself: garbage does not withdraw, nor refresh
        site.owner.call("heat.stop", room="otter")
        controller = Controller(site, observer, "heron")
        site.owner.see("heron", lambda s: s["fresh"], "fresh at last")
        controller.close()


def test_input__an_open_door_is_believed_from_a_broken_message():
    """Contract 7: v, boot, seq, door valid and live suffice."""
    with Site() as site:
        site.start(sim_rooms=("otter",))
        controller = Controller(site, site.observer, "heron")
        site.owner.see("heron", lambda s: s["fresh"] and
                       s["door"] == "closed", "closed")
        controller.say(door="open", air_c="hot", uptime_ms="soon")
        site.owner.see("heron", lambda s: "door-open" in s["reasons"],
                       "the open door", 3)


def test_input__oversized_payloads_are_not_read():
    with Site() as site:
        small_quarantine()
        site.start(sim_rooms=("heron", "otter"), speed=10)
        with Untouched(site):
            gateway = site.processes["gateway"]
            before, kb = metrics(site), resident_kb(gateway)
            good = json.dumps(GOOD)[:-1]
            for size in (5_000, 100_000, 1_000_000):
                for name in ("telemetry", "event", "online", "permit"):
                    site.observer.publish(
                        f"{ROOT}/heron/{name}",
                        good + ',"pad":"' + "x" * size + '"}')
                site.observer.publish(f"{ROOT}/rpc", "x" * size)
            wait(lambda: metrics(site)["heatgate_messages_total"] >=
                 before["heatgate_messages_total"] + 10 or
                 site.owner.call("room.state", room="heron")["fresh"],
                 "the service to have read on")
            assert site.owner.see("heron", lambda s: s["fresh"], "fresh")
            assert resident_kb(gateway) - kb < 8000 * SLOW, \
                (kb, resident_kb(gateway))


def test_input__retained_and_replayed_telemetry_is_not_fresh():
    with Site() as site:
        site.start_broker()
        before = Observer(site.broker_port)
        site.closers.append(before.close)
        before.publish(f"{ROOT}/heron/online", {"v": 1, "online": True},
                       retain=True)
        before.publish(f"{ROOT}/heron/telemetry", {**GOOD, "boot": "old"},
                       retain=True)
        site.start_gateway()
        site.observer = site.observe()
        owner = site.owner = site.admin()
        owner.watch("heron")
        # and one retained while the gateway listens
        before.publish(f"{ROOT}/heron/telemetry",
                       {**GOOD, "boot": "old", "seq": 2}, retain=True)
        wait(lambda: metrics(site)["heatgate_messages_total"] >= 2, "both")
        assert owner.call("room.state", room="heron")["fresh"] is False
        controller = Controller(site, site.observer, "heron", boot="new")
        owner.see("heron", lambda s: s["fresh"], "fresh")
        old = controller.message(door="open")
        controller.stopped.set()
        owner.see("heron", lambda s: not s["fresh"], "stale", 10)
        old["door"] = "closed"
        old["seq"] -= 1
        for _ in range(3):  # a replay, and an old boot
            site.observer.publish(f"{ROOT}/heron/telemetry", old)
        time_before = boottime()
        wait(lambda: boottime() > time_before + 0.3, "them to be read")
        assert owner.call("room.state", room="heron")["fresh"] is False


def test_input__unknown_rooms_and_strange_topics_are_counted():
    with Site() as site:
        site.start(speed=10)
        with Untouched(site):
            before = metrics(site)["heatgate_messages_unknown_room_total"]
            for room in ("nowhere", "HERON", "heron ", "h\u00e9ron", "x" * 200,
                         "-x", "heron..", "%s%n"):
                for name in ("telemetry", "event", "online", "permit"):
                    site.observer.publish(f"{ROOT}/{room}/{name}", GOOD)
            for topic in (f"{ROOT}/heron", f"{ROOT}/heron/telemetry/x",
                          f"{ROOT}//telemetry", f"{ROOT}/", ROOT,
                          f"{ROOT}/heron/", f"{ROOT}/heron/nothing",
                          f"/{ROOT}/heron/telemetry"):
                site.observer.publish(topic, GOOD)
            wait(lambda: metrics(site)["heatgate_messages_unknown_room_total"]
                 > before, "the counter")
            assert site.owner.see("heron", lambda s: s["fresh"], "fresh")
            assert {s["room"] for s in site.owner.call("room.list")["rooms"]
                    } == {"heron", "otter"}


def test_input__a_jumping_seq_cannot_silence_a_controller():
    """Contract 7: a jump above 1,000,000 is dropped and counted."""
    with Site() as site:
        site.start(sim_rooms=("otter",))
        controller = Controller(site, site.observer, "heron")
        site.owner.see("heron", lambda s: s["fresh"], "fresh")
        site.observer.publish(f"{ROOT}/heron/telemetry",
                              {**controller.message(), "seq": 2**52})
        start = boottime()
        wait(lambda: boottime() > start + 4, "stale_after_s to pass", 30)
        assert site.owner.call("room.state", room="heron")["fresh"] is True
