"""Watching rooms: patches (RFC 7396) that always merge to the true state, and
watchers that do not keep up."""
import json
import os
import time

from harness import (BIN, SLOW, Client, Loose, Site, boottime, merge,
                     wait)
from peers import (Raw, guest, metrics, resident_kb, small_quarantine,
                   staff)


def without_nulls(value):
    """In a patched copy an absent member equals null (contract 7)."""
    if isinstance(value, dict):
        return {k: without_nulls(v) for k, v in value.items()
                if v is not None}
    return value


class Diary:
    """What a watcher's copy was at each rev."""

    def __init__(self, client, room):
        self.client, self.room = client, room
        self.state = client.watch(room)
        self.checked = 0

    def copies(self):
        with self.client.lock:
            patches = [p for p in self.client.patches
                       if p["room"] == self.room and
                       p["rev"] > self.state["rev"]]
        copy = self.state
        copies = {copy["rev"]: copy}
        for params in patches:
            assert set(params) == {"room", "rev", "patch"}, params
            assert params["rev"] > copy["rev"], "rev rises with each patch"
            copy = merge(copy, params["patch"])
            assert copy["rev"] == params["rev"], (copy["rev"], params)
            copies[params["rev"]] = copy
        return copies

    def compare(self):
        """A state asked for and the copy of the same rev are the same."""
        def same():
            asked = self.client.call("room.state", room=self.room)
            copy = self.copies().get(asked["rev"])
            if copy is None:
                return False
            assert without_nulls(copy) == without_nulls(asked), (copy, asked)
            return True
        wait(same, "a patch of the same rev as the state")
        self.checked += 1


def test_watch__patches_merge_to_the_state():
    with Site() as site:
        site.start(speed=10)
        client = guest(site)
        first = Diary(client, "heron")
        owner = Client(unix=site.config["admin_socket"])
        site.closers.append(owner.close)
        second = Diary(owner, "heron")
        steps = [
            lambda: site.sim.do("heron door open"),
            lambda: site.sim.do("heron door close"),
            lambda: site.check(client, "heron"),
            lambda: site.heat(client, "heron"),
            lambda: site.sim.do("heron door open"),
            lambda: site.sim.do("heron door close"),
            lambda: client.call("heat.change", room="heron", target_c=70),
            lambda: client.call("heat.stop", room="heron"),
            lambda: site.owner.call("lockout.set", room="heron",
                                    lockout="locked-out", note="trial"),
            lambda: site.owner.call("lockout.clear", room="heron",
                                    lockout="locked-out", note="trial over"),
            lambda: site.sim.do("heron fault silent"),
            lambda: site.sim.do("heron fault none"),
        ]
        for step in steps:
            step()
            for diary in (first, second):
                diary.compare()
        assert first.checked == second.checked == len(steps)
        assert len(first.copies()) > len(steps)
        # silence shows as stale by itself, without a message from there
        site.sim.do("heron fault silent")
        client.see("heron", lambda s: s["fresh"] is False and
                   "telemetry-stale" in s["reasons"], "stale", 10)
        first.compare()


def test_watch__patches_do_not_outrun_the_telemetry():
    with Site() as site:
        site.start()
        client = guest(site)
        client.watch("heron")
        # half a dozen telemetry messages of an unchanging room
        start = boottime()
        wait(lambda: boottime() > start + 3, "some telemetry", 30)
        with client.lock:
            patches = list(client.patches)
        assert len(patches) <= 12, len(patches)


def test_watch__unwatch_and_watching_twice():
    with Site() as site:
        site.start()
        client = guest(site, ["heron", "otter"])
        client.watch("heron")
        client.watch("heron")
        client.watch("otter")
        site.sim.do("heron door open")
        client.see("heron", lambda s: s["door"] == "open", "open")
        with client.lock:
            revs = [p["rev"] for p in client.patches if p["room"] == "heron"]
        assert len(revs) == len(set(revs)), "told once, though watched twice"
        client.call("room.unwatch", room="heron")
        client.call("room.unwatch", room="heron")
        with client.lock:
            client.patches.clear()
        site.sim.do("heron door close")
        site.sim.do("otter door open")
        client.see("otter", lambda s: s["door"] == "open", "otter open")
        site.owner.see("heron", lambda s: s["door"] == "closed", "closed")
        client.call("room.list")
        with client.lock:
            assert {p["room"] for p in client.patches} == {"otter"}


def test_watch__revs_go_on_over_a_restart_of_the_gateway_or_the_watch_is_new():
    """A client that reconnects starts from a whole state again."""
    with Site() as site:
        site.start()
        client = staff(site, "manager")
        client.watch("heron")
        site.kill("gateway")
        code, reason = client.wait_closed()
        assert code == 1001 and reason, (code, reason)
        site.start_gateway()
        again = site.client(client.issued["code"])
        state = again.watch("heron")
        site.sim.do("heron door open")
        seen = again.see("heron", lambda s: s["door"] == "open", "open")
        assert seen["rev"] > state["rev"]


def load_site(count):
    rooms = {"heron": Site.room()}
    for i in range(count):
        rooms[f"load-{i:05d}"] = Site.room(label=f"Load {i}")
    return Site(rooms=rooms)


def test_watch__a_stalled_watcher_costs_nobody_anything():
    count = 200
    with load_site(count) as site:
        small_quarantine()
        site.start(sim_rooms=("heron",), speed=10)
        gateway = site.processes["gateway"]
        token = site.client(site.owner.call(
            "staff.issue", role="manager", rooms="*",
            label="all")["code"]).who["token"]
        names = list(site.config["rooms"])

        def watch_all(raw):
            raw.say(json.dumps({"jsonrpc": "2.0", "id": "h",
                                "method": "hello",
                                "params": {"token": token}}))
            raw.answer()
            for name in names:
                raw.say(json.dumps({"jsonrpc": "2.0", "id": name,
                                    "method": "room.watch",
                                    "params": {"room": name}}))
                while raw.answer().get("id") != name:
                    pass
        stalled = []
        for _ in range(3):
            raw = Raw(site)
            raw.open()
            watch_all(raw)
            stalled.append(raw)
        site.check(site.owner, "heron")
        site.heat(site.owner, "heron")
        site.sim.wait_on("heron")
        quiet_kb = resident_kb(gateway)
        before = metrics(site)["heatgate_messages_total"]
        # count rooms, ten messages a second each: 2,000 a second
        site.spawn("load", [
            os.path.join(BIN,
                         "heatgate-sim"),
            "--port", str(site.broker_port), "--count", str(count),
            "--prefix", "load", "--period-ms", "100", "--seed", "3"])
        wait(lambda: metrics(site)["heatgate_messages_total"] >
             before + 20000, "20,000 messages", 60, 0.1)
        # others are as quick as ever
        for _ in range(5):
            start = time.monotonic()
            site.owner.call("room.state", room="heron")
            assert time.monotonic() - start < 0.5 * SLOW
        at = boottime()
        site.sim.do("heron door open")
        truth = site.sim.wait_off("heron")
        took = truth["last_off_boottime_ms"] / 1000 - at
        assert took < 1 * SLOW, f"door to off took {took:.2f} s under load"
        site.owner.see("heron", lambda s: s["phase"] == "holding", "holding")
        grown = resident_kb(gateway) - quiet_kb
        assert grown < 16 * 1024 * SLOW, f"grew by {grown} KiB"
        # the stalled ones: merged, or closed with a reason
        site.kill("load")
        site.sim.do("heron door close")
        site.owner.see("heron", lambda s: s["phase"] == "heating", "heating")
        for raw in stalled:
            rooms, ended = {}, None
            try:
                while rooms.get("heron", {}).get("phase") != "heating":
                    opcode, payload = raw.read_frame()
                    if opcode == 8:
                        ended = (int.from_bytes(payload[:2], "big"),
                                 payload[2:].decode())
                        break
                    if opcode != 1:
                        continue
                    params = json.loads(payload)["params"]
                    rooms[params["room"]] = Loose(merge(
                        rooms.get(params["room"], {}), params["patch"]))
            except (EOFError, ConnectionError):
                ended = (1006, "")
            if ended is not None:
                assert ended[0] == 1013 and ended[1], ended
        assert site.processes["gateway"].poll() is None


def test_watch__who_never_reads_is_let_go():
    """Answers nobody reads are bounded too: ask and ask, never read."""
    with Site() as site:
        small_quarantine()
        site.start(speed=10)
        gateway = site.processes["gateway"]
        manager = staff(site, "manager")
        before = resident_kb(gateway)
        raw = Raw(site).open()
        raw.say(json.dumps({"jsonrpc": "2.0", "id": 0, "method": "hello",
                            "params": {"token": manager.who["token"]}}))
        raw.answer()
        raw.socket.settimeout(5)
        frame = raw.frame(json.dumps(
            [{"jsonrpc": "2.0", "id": i, "method": "room.list"}
             for i in range(20)]))
        sent = 0
        try:
            while sent < 20_000:
                raw.send(frame)
                sent += 1
        except (TimeoutError, OSError):
            pass
        assert manager.call("room.list")["rooms"]
        grown = resident_kb(gateway) - before
        assert grown < 8 * 1024 * SLOW, (sent, grown)
        raw.close()
        assert manager.call("room.list")["rooms"]
