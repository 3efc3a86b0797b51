"""The broker's side: what is published, retained, expired, signed, and what
happens when the broker goes away. The peers are paho and mosquitto."""
import hashlib
import hmac
import json
import math
import os
import signal
import subprocess
import time

from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from harness import ROOT, SLOW, Observer, Sim, Site, boottime, wait
from peers import Controller, Wire, guest, http, metrics, staff

LEVELS = {"info", "warning", "alarm"}


def started(site, room="heron"):
    site.check(site.owner, room)
    heat = site.heat(site.owner, room)
    site.sim.wait_on(room)
    return heat


def test_mqtt__state_is_retained_for_integrators():
    with Site() as site:
        site.start(speed=10)
        heat = started(site)
        wait(lambda: any(m and m["heat"] and
                         m["heat"]["heat_id"] == heat["heat_id"]
                         for _, m in site.observer.all(f"{ROOT}/heron/state")),
             "the state topic to tell of the heat")
        late = site.observe()
        wait(lambda: late.all(f"{ROOT}/heron/state") and
             late.all(f"{ROOT}/otter/state"), "the retained states")
        with late.lock:
            first = next(m for m in late.messages
                         if m[1] == f"{ROOT}/heron/state")
        assert first[3], "retained"
        state = json.loads(first[2])
        asked = site.owner.call("room.state", room="heron")
        assert set(state) == set(asked), set(state) ^ set(asked)
        assert state["phase"] == "heating"
        revs = [m["rev"] for _, m in site.observer.all(f"{ROOT}/heron/state")]
        assert revs == sorted(revs), revs


def test_mqtt__notices_tell_and_are_not_kept():
    with Site() as site:
        site.start(speed=10)
        started(site)
        site.owner.call("lockout.set", room="heron", lockout="locked-out",
                        note="trial")
        notices = wait(lambda: site.observer.notices("heron"), "a notice")
        for notice in notices:
            assert set(notice) == {"v", "room", "at", "level", "code",
                                   "text"}, notice
            assert notice["v"] == 1 and notice["room"] == "heron"
            assert notice["level"] in LEVELS and notice["text"]
        late = site.observe()
        wait(lambda: late.all(f"{ROOT}/heron/state"), "what is retained")
        assert not late.notices("heron")


def test_mqtt__birth_and_will_of_the_gateway():
    with Site() as site:
        site.start()
        topic = ROOT + "/gateway"
        wait(lambda: site.observer.all(topic), "the birth")
        birth = site.observer.all(topic)[-1][1]
        assert birth["v"] == 1 and birth["online"] is True
        assert birth["version"] and birth["epoch"] >= 1
        with open(site.config["state_dir"] + "/epoch") as file:
            assert int(file.read()) == birth["epoch"]
        site.kill("gateway", signal.SIGKILL)
        wait(lambda: site.observer.all(topic)[-1][1]["online"] is False,
             "the will")
        late = site.observe()
        wait(lambda: late.all(topic), "the retained will")
        assert late.all(topic)[0][1]["online"] is False
        site.start_gateway()
        wait(lambda: site.observer.all(topic)[-1][1]["online"], "a birth")
        assert site.observer.all(topic)[-1][1]["epoch"] > birth["epoch"]
        # a polite leave says so too
        site.kill("gateway")
        wait(lambda: site.observer.all(topic)[-1][1]["online"] is False,
             "online:false on leaving")


def from_gateway(observer):
    """Topic and payload of all that only a gateway publishes, in order."""
    with observer.lock:
        return [(m[1], m[2], m[3]) for m in observer.messages
                if m[1].rsplit("/", 1)[1] in ("permit", "state", "notice",
                                              "gateway", "journal")]


def test_mqtt__heat_false_to_every_room_comes_first():
    with Site() as site:
        site.start_broker()
        observer = site.observe()
        wire = Wire(site, site.broker_port)
        site.config["broker"]["port"] = wire.port
        site.start_gateway()
        wait(lambda: len(observer.all(ROOT + "/gateway")) > 0, "the birth")
        first = from_gateway(observer)[:2]
        assert {t for t, _, _ in first} == {f"{ROOT}/heron/permit",
                                            f"{ROOT}/otter/permit"}, first
        for _, payload, retain in first:
            permit = json.loads(payload)
            assert permit["heat"] is False and permit["reason"], permit
            assert not retain
        # again after each new connection
        with observer.lock:
            observer.messages.clear()
        wire.cut()
        wait(lambda: any(m["online"] for _, m in
                         observer.all(ROOT + "/gateway")), "a birth", 40)
        with observer.lock:  # the broker speaks the will by itself
            observer.messages = [
                m for m in observer.messages
                if not (m[1] == ROOT + "/gateway" and b"false" in m[2])]
        again = from_gateway(observer)[:2]
        assert {t for t, _, _ in again} == {f"{ROOT}/heron/permit",
                                            f"{ROOT}/otter/permit"}, again
        for (_, old, _), (_, new, _) in zip(sorted(first), sorted(again)):
            new, old = json.loads(new), json.loads(old)
            assert new["heat"] is False
            assert new["serial"] > old["serial"], (old, new)


def test_mqtt__a_wire_that_goes_dead_ends_heat():
    """Half open: no packet passes and nobody says goodbye."""
    with Site() as site:
        site.start_broker()
        wire = Wire(site, site.broker_port)
        site.config["broker"]["port"] = wire.port
        site.start_gateway()
        site.sim = Sim(site, ("heron", "otter"), speed=10)
        site.owner = site.admin()
        site.owner.watch("heron")
        site.owner.see("heron", lambda s: s["fresh"], "fresh")
        heat = started(site)
        at = boottime()
        wire.freeze()
        truth = site.sim.wait_off("heron", 10)
        assert truth["last_off_boottime_ms"] / 1000 - at < 5.5 * SLOW
        site.owner.see("heron", lambda s: s["last"] and
                       s["last"]["heat_id"] == heat["heat_id"], "ended")
        wire.thaw()
        site.owner.see("heron", lambda s: s["fresh"], "fresh again", 60)
        assert site.owner.rooms["heron"]["heat"] is None
        assert not site.sim.truth("heron")["truth_on"]
        started(site)


def test_mqtt__permits_expire_and_are_never_retained():
    with Site() as site:
        site.start(speed=10)
        started(site)
        wait(lambda: len(site.observer.permits("heron")) >= 4, "renewals")
        site.owner.call("heat.stop", room="heron")
        wait(lambda: not site.observer.permits("heron")[-1][1]["heat"],
             "the revoke")
        with site.observer.lock:
            permits = [m for m in site.observer.messages
                       if m[1].endswith("/permit")]
        seen = set()
        for _, topic, payload, retain, properties in permits:
            permit = json.loads(payload)
            assert not retain
            expiry = properties.MessageExpiryInterval
            if permit["heat"]:
                assert set(permit) == {"v", "serial", "heat", "target_c",
                                       "ttl_ms", "heat_id"}, permit
                assert permit["ttl_ms"] <= 5000
                assert expiry == math.ceil(permit["ttl_ms"] / 1000), permit
            else:
                assert expiry == 5, (expiry, permit)  # lease_s
            seen.add(permit["heat"])
        assert seen == {True, False}
        renewals = [at for at, m in site.observer.permits("heron")
                    if m["heat"]]
        gaps = [b - a for a, b in zip(renewals, renewals[1:])]
        assert gaps and max(gaps) < 5 / 3 + 0.7 * SLOW, gaps
        late = site.observe()
        wait(lambda: late.all(f"{ROOT}/heron/state"), "what is retained")
        assert not late.all(f"{ROOT}/heron/permit")


def test_mqtt__3_1_1_works_and_own_echoes_are_no_rival():
    with Site() as site:
        site.config["broker"]["protocol"] = "3.1.1"
        site.start(speed=10, extra=("--protocol", "3.1.1"))
        started(site)
        serial = wait(lambda: (lambda p: len(p) >= 9 and p[-1])(
            site.observer.permits("heron")), "three leases", 30)[1]["serial"]
        state = site.owner.call("room.state", room="heron")
        assert state["lockouts"] == [] and state["phase"] == "heating"
        # a real rival is heard all the same
        site.observer.publish(f"{ROOT}/heron/permit", {
            "v": 1, "serial": serial + 100, "heat": True, "target_c": 90,
            "ttl_ms": 30000, "heat_id": "h-rival"})
        site.owner.see("heron", lambda s: "rival-gateway" in s["lockouts"],
                       "the rival")
        site.sim.wait_off("heron")


def test_mqtt__user_name_and_password():
    with Site() as site:
        passwords = os.path.join(site.dir, "passwords")
        open(passwords, "w").close()
        os.chmod(passwords, 0o600)
        for name in ("heatgate", "heron", "otter", "eye"):
            subprocess.run(["mosquitto_passwd", "-b", passwords, name,
                            name + "-secret"], check=True)
        os.chmod(passwords, 0o644)
        site.broker_extra = \
            f"allow_anonymous false\npassword_file {passwords}\n"
        secret = os.path.join(site.dir, "secret")
        with open(secret, "w") as file:
            file.write("wrong\n")
        os.chmod(secret, 0o600)
        site.config["broker"].update(username="heatgate",
                                     password_file=secret)
        site.start_broker()
        process = site.start_gateway()
        owner = site.admin()
        wait(lambda: http(site, "/healthz")[0] == 503, "503")
        state = owner.call("room.state", room="heron")
        assert "broker-down" in state["reasons"], state["reasons"]
        assert process.poll() is None
        site.kill("gateway")
        with open(secret, "w") as file:
            file.write("heatgate-secret\n")
        site.start_gateway()
        wait(lambda: http(site, "/healthz")[0] == 200, "200")
        observer = site.observe(username="eye", password="eye-secret")
        controller = Controller(site, observer, "heron")
        owner = site.admin()
        owner.watch("heron")
        owner.see("heron", lambda s: s["fresh"], "fresh")
        with open(os.path.join(site.dir, "gateway.log")) as file:
            log = file.read()
        assert "heatgate-secret" not in log
        controller.close()


def mac(key, topic, payload):
    """RFC 2104 over the topic, a newline, and the payload (contract 1)."""
    return hmac.new(key, topic.encode() + b"\n" + payload,
                    hashlib.sha256).hexdigest()


def signed(key, topic, payload):
    properties = Properties(PacketTypes.PUBLISH)
    properties.UserProperty = [("mac", mac(key, topic, payload))]
    return properties


def test_mqtt__a_keyed_room_believes_only_signed_messages():
    with Site() as site:
        key = os.urandom(32)
        path = os.path.join(site.dir, "heron.key")
        with open(path, "w") as file:
            file.write(key.hex() + "\n")
        os.chmod(path, 0o600)
        site.config["rooms"]["heron"]["controller"] = {"kind": "lease",
                                                       "key_file": path}
        site.config["rooms"]["heron"]["outputs"] = {"fan_run_on_min": 0}
        site.start(sim_rooms=(f"heron:mac={path}", "otter"), speed=10)
        started(site)
        wait(lambda: site.sim.truth("heron")["fan"], "the fan to be on")
        # what is for the controller has a right mac (RFC 2104, Python's hmac)
        wait(lambda: len(site.observer.permits("heron")) >= 4, "renewals")
        wait(lambda: site.observer.all(f"{ROOT}/heron/outputs"), "the outputs")
        with site.observer.lock:
            told = [m for m in site.observer.messages
                    if m[1] in (f"{ROOT}/heron/permit",
                                f"{ROOT}/heron/outputs")]
        for _, topic, payload, _, properties in told:
            macs = dict(properties.UserProperty)
            assert macs["mac"] == mac(key, topic, payload), payload
        # unsigned, wrongly signed, signed for another topic: dropped, counted
        before = metrics(site)["heatgate_messages_bad_mac_total"]
        truth = site.sim.truth("heron")
        topic = f"{ROOT}/heron/telemetry"
        forged = json.dumps({"v": 1, "boot": "forged", "seq": 1,
                             "uptime_ms": 1, "air_c": 20, "door": "open",
                             "heater": "off"}).encode()
        offline = b'{"v":1,"online":false}'
        online = f"{ROOT}/heron/online"
        site.observer.publish(topic, forged)
        site.observer.publish(topic, forged,
                              properties=signed(b"x" * 32, topic, forged))
        site.observer.publish(topic, forged, properties=signed(
            key, f"{ROOT}/otter/telemetry", forged))
        site.observer.publish(topic, forged + b" ",
                              properties=signed(key, topic, forged))
        upper = Properties(PacketTypes.PUBLISH)
        upper.UserProperty = [("mac", mac(key, topic, forged)[:-1] + "g")]
        site.observer.publish(topic, forged, properties=upper)
        site.observer.publish(online, offline)
        wait(lambda: metrics(site)["heatgate_messages_bad_mac_total"] >=
             before + 6, "six to be counted")
        state = site.owner.call("room.state", room="heron")
        assert state["phase"] == "heating" and state["door"] == "closed"
        assert site.sim.truth("heron")["truth_on"], truth
        # the same, signed rightly, is believed at once
        site.observer.publish(topic, forged,
                              properties=signed(key, topic, forged))
        site.owner.see("heron", lambda s: s["phase"] != "heating", "the end")
        # the other room needs no signature
        started(site, "otter")


def test_mqtt__a_controller_whose_signatures_go_bad_is_stale():
    with Site() as site:
        path = os.path.join(site.dir, "heron.key")
        with open(path, "w") as file:
            file.write("ab" * 32 + "\n")
        os.chmod(path, 0o600)
        site.config["rooms"]["heron"]["controller"] = {"kind": "lease",
                                                       "key_file": path}
        site.start(sim_rooms=(f"heron:mac={path}", "otter"), speed=10)
        started(site)
        site.sim.do("heron fault bad-mac")
        site.owner.see("heron", lambda s: s["last"] and
                       s["last"]["end"] == "telemetry-stale", "stale", 20)
        site.sim.wait_off("heron")


def test_mqtt__offline_revokes_at_once():
    with Site() as site:
        site.start(speed=10)
        started(site)
        at = boottime()
        site.observer.publish(f"{ROOT}/heron/online",
                              {"v": 1, "online": False}, retain=True)
        revoke = wait(lambda: [(t, m) for t, m in
                               site.observer.permits("heron")
                               if t > at and not m["heat"]], "a revoke")[0]
        assert revoke[0] - at < 1 * SLOW
        assert revoke[1]["reason"] == "controller-offline", revoke
        site.owner.see("heron", lambda s: s["last"] and
                       s["last"]["end"] == "controller-offline", "ended")
        site.sim.wait_off("heron")
        # it does not come back by itself
        site.observer.publish(f"{ROOT}/heron/online",
                              {"v": 1, "online": True}, retain=True)
        site.owner.see("heron", lambda s: "controller-offline" not in
                       s["reasons"], "online again")
        assert site.owner.rooms["heron"]["heat"] is None
        # the will of a controller that just vanishes does the same
        started(site)
        site.sim.process.kill()
        site.owner.see("heron", lambda s: s["last"] and s["heat"] is None and
                       s["last"]["end"] in ("controller-offline",
                                            "telemetry-stale"), "its will")
        assert site.owner.rooms["heron"]["last"]["end"] == \
            "controller-offline"


def test_mqtt__a_broker_restart_ends_heat_and_recovers_by_itself():
    with Site() as site:
        site.start(speed=10)
        heat = started(site)
        site.kill("broker", signal.SIGKILL)
        site.owner.see("heron", lambda s: s["last"] and
                       s["last"]["heat_id"] == heat["heat_id"], "the end")
        assert site.owner.rooms["heron"]["last"]["end"] == "broker-down"
        error = site.owner.refused("heat.start", room="heron", target_c=80,
                                   duration_min=60)
        assert "broker-down" in error.reasons, error.reasons
        site.owner.call("heat.stop", room="heron")
        site.sim.wait_off("heron", 8)
        site.start_broker()
        site.owner.see("heron", lambda s: s["fresh"] and "broker-down" not in
                       s["reasons"], "recovery", 60)
        assert site.owner.rooms["heron"]["heat"] is None, "I6"
        assert not site.sim.truth("heron")["truth_on"]
        started(site)
        wait(lambda: [m for _, m in site.observer.permits("heron")
                      if m["heat"]], "permits to be seen again")


def test_mqtt__a_frozen_broker_ends_heat_by_staleness_and_lease():
    with Site() as site:
        site.start(speed=10)
        heat = started(site)
        at = boottime()
        broker = site.processes["broker"]
        broker.send_signal(signal.SIGSTOP)
        try:
            truth = site.sim.wait_off("heron", 10)
            assert truth["last_off_boottime_ms"] / 1000 - at < 5.5 * SLOW, \
                "off within the lease"
            site.owner.see("heron", lambda s: s["last"] and
                           s["last"]["heat_id"] == heat["heat_id"], "ended")
            assert site.owner.rooms["heron"]["last"]["end"] in (
                "telemetry-stale", "broker-down", "telemetry-late")
            start = time.monotonic()
            site.owner.call("heat.stop", room="heron")
            site.owner.call("room.list")
            assert time.monotonic() - start < 1 * SLOW, "the service waits"
        finally:
            broker.send_signal(signal.SIGCONT)
        site.owner.see("heron", lambda s: s["fresh"], "fresh again", 60)
        assert site.owner.rooms["heron"]["heat"] is None
        since = boottime()
        wait(lambda: boottime() > since + 3, "old permits to arrive", 30)
        truth = site.sim.truth("heron")
        assert not truth["truth_on"], "an old permit revived the heater"
        assert truth["last_off_boottime_ms"] / 1000 - at < 5.5 * SLOW
        started(site)


class Asker:
    """JSON-RPC over MQTT 5 (contract 1): paho, response topic, correlation"""

    def __init__(self, site, token, topic="answers/hub"):
        self.token, self.topic = token, topic
        self.answers = {}
        self.observer = site.observe(topics=(topic,))
        self.count = 0

    def send(self, request, topic=None, correlation=b"", retain=False):
        properties = Properties(PacketTypes.PUBLISH)
        if topic != "":
            properties.ResponseTopic = topic or self.topic
        if correlation:
            properties.CorrelationData = correlation
        self.observer.publish(ROOT + "/rpc", request, retain=retain,
                              properties=properties)

    def call(self, method, token=True, **params):
        self.count += 1
        mark = b"c-%d" % self.count
        request = {"jsonrpc": "2.0", "id": self.count, "method": method,
                   "params": params}
        if token:
            request["token"] = self.token if token is True else token
        self.send(request, correlation=mark)

        def answer():
            with self.observer.lock:
                for m in self.observer.messages:
                    if getattr(m[4], "CorrelationData", None) == mark:
                        return json.loads(m[2])
        got = wait(answer, f"an answer to {method}")
        assert got["id"] == self.count and got["jsonrpc"] == "2.0"
        return got


def test_mqtt__an_integrator_calls_by_message():
    with Site() as site:
        site.start(speed=10)
        integrator = staff(site, "integrator")
        hub = Asker(site, integrator.issued["token"])
        listed = hub.call("room.list")["result"]["rooms"]
        assert [s["room"] for s in listed] == ["heron"]
        for token in (False, "wrong", "x" * 300):
            assert hub.call("room.list",
                            token=token)["error"]["code"] == 1002, token
        error = hub.call("heat.start", room="heron", target_c=80,
                         duration_min=60)["error"]
        assert error["code"] == 1001
        assert {r["code"] for r in error["data"]["reasons"]} == \
            {"check-missing"}
        assert hub.call("check.open", room="heron")["error"]["code"] == 1003
        assert hub.call("room.state", room="otter")["error"]["code"] == 1004
        assert hub.call("nonsense")["error"]["code"] == -32601
        site.check(site.owner, "heron")
        heat = hub.call("heat.start", room="heron", target_c=80,
                        duration_min=60)["result"]
        site.sim.wait_on("heron")
        assert site.owner.see("heron", lambda s: s["heat"], "heat")["heat"][
            "by"] == "integrator:" + integrator.issued["id"]
        assert heat["heat_id"]
        hub.call("heat.stop", room="heron")
        site.sim.wait_off("heron")
        # a guest's session token works too, within its rooms
        client = guest(site)
        by_guest = Asker(site, client.who["token"], "answers/phone")
        assert by_guest.call("heat.preview", room="heron")["result"]
        site.owner.call("guest.revoke", id=client.issued["id"])
        assert by_guest.call("room.list")["error"]["code"] == 1002
        # the token is never repeated
        assert integrator.issued["token"] not in str(site.journal())


def test_mqtt__odd_requests_by_message_do_nothing():
    with Site() as site:
        site.start(speed=10)
        integrator = staff(site, "integrator")
        token = integrator.issued["token"]
        hub = Asker(site, token)
        started(site)
        stop = {"jsonrpc": "2.0", "id": 1, "method": "heat.stop",
                "params": {"room": "heron"}, "token": token}
        # retained, or answered to a topic where controllers listen
        hub.send(stop, retain=True)
        hub.send(stop, topic=f"{ROOT}/heron/permit")
        hub.send(stop, topic=f"{ROOT}/otter/telemetry")
        hub.send(stop, topic=ROOT)
        hub.send(stop, topic=f"{ROOT}/rpc")
        for junk in (b"", b"{", b"\xff\xff", b"[]", b"[" * 30000):
            hub.send(junk)
        listed = hub.call("room.list")["result"]["rooms"]
        assert listed[0]["heat"], "a retained request was obeyed"
        assert all(json.loads(m[2]).get("jsonrpc") is None
                   for m in site.observer.messages
                   if m[1].startswith(ROOT + "/") and m[2] and
                   not m[1].endswith("/rpc"))
        # without a response topic nobody can be answered; a stop is obeyed
        # or ignored, but nothing breaks
        hub.send(stop, topic="")
        assert hub.call("room.list")["result"]["rooms"]
        site.observer.publish(ROOT + "/rpc", b"", retain=True)


def test_mqtt__a_second_gateway_on_the_broker_is_a_rival():
    with Site() as site:
        site.start(speed=10)
        started(site)
        other = Site(rooms=dict(site.config["rooms"]))
        with other:
            other.broker_port = site.broker_port
            other.config["broker"].update(port=site.broker_port,
                                          client_id="other")
            with open(other.config["state_dir"] + "/epoch", "w") as file:
                file.write("40\n")
            os.chmod(other.config["state_dir"] + "/epoch", 0o600)
            other.start_gateway()
            site.owner.see("heron", lambda s: s["heat"] is None, "ended")
            site.sim.wait_off("heron")
            site.owner.see("heron", lambda s: "rival-gateway" in
                           s["lockouts"], "locked out")
            wait(lambda: site.observer.notices("heron", "rival-gateway"),
                 "the alarm")


def test_mqtt__an_epoch_heard_of_is_never_undercut():
    """Contract 7: a retained gateway epoch or a followed serial above ours
    raises the epoch before the first heat:true."""
    with Site() as site:
        site.start_broker()
        before = Observer(site.broker_port)
        before.publish(ROOT + "/gateway", {"v": 1, "online": False,
                                           "epoch": 500, "version": "x"},
                       retain=True)
        before.close()
        site.start_gateway()
        site.sim = Sim(site, ("heron", "otter"), speed=10)
        site.observer = site.observe()
        owner = site.owner = site.admin()
        for room in ("heron", "otter"):
            owner.watch(room)
            owner.see(room, lambda s: s["fresh"], "fresh")
        started(site)
        permits = wait(lambda: [m for _, m in site.observer.permits("heron")
                                if m["heat"]], "a permit")
        assert permits[0]["serial"] >> 24 > 500, permits[0]
        assert site.owner.rooms["heron"]["lockouts"] == []
        with open(site.config["state_dir"] + "/epoch") as file:
            assert int(file.read()) > 500


def test_mqtt__a_followed_serial_above_ours_raises_the_epoch():
    with Site() as site:
        site.start(sim_rooms=("otter",), speed=10)
        controller = Controller(site, site.observer, "heron")
        controller.reading["permit"] = (300 << 24) + 5
        owner = site.owner
        owner.see("heron", lambda s: s["fresh"], "fresh")

        def epoch():
            with open(site.config["state_dir"] + "/epoch") as file:
                return int(file.read()) > 300
        wait(epoch, "the epoch to rise")
        controller.check(owner)
        site.heat(owner, "heron")
        permits = wait(lambda: [m for _, m in site.observer.permits("heron")
                                if m["heat"]], "a permit")
        assert permits[0]["serial"] >> 24 > 300, permits[0]
        controller.close()


def test_mqtt__the_journal_head_is_published_and_kept():
    with Site() as site:
        site.start()
        site.owner.call("lockout.set", room="heron", lockout="locked-out",
                        note="trial")
        heads = wait(lambda: [m for _, m in site.observer.all(
            ROOT + "/journal") if m], "a head", 40)
        assert set(heads[-1]) >= {"n", "hash", "at", "key", "sig"}
        late = site.observe()
        head = wait(lambda: late.all(ROOT + "/journal"),
                    "the retained head")[0][1]
        path = os.path.join(site.dir, "head.json")
        with open(path, "w") as file:
            json.dump(head, file)
        done = subprocess.run(
            [os.path.join(os.path.dirname(os.path.dirname(
                os.path.abspath(__file__))), "outside", "journal-verify"),
             os.path.join(site.config["state_dir"], "journal"), path],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
        assert done.returncode == 0, done.stdout


def test_mqtt__a_controller_that_never_said_online_is_offline():
    with Site() as site:
        site.start(sim_rooms=("otter",))
        controller = Controller(site, site.observer, "heron", online=False)
        site.owner.see("heron", lambda s: s["fresh"], "fresh")
        assert "controller-offline" in site.owner.rooms["heron"]["reasons"]
        controller.online(True)
        site.owner.see("heron", lambda s: "controller-offline" not in
                       s["reasons"], "online")


def heating_by_hand(site):
    """A heat in a room whose telemetry the scenario writes."""
    controller = Controller(site, site.observer, "heron")
    controller.reading["door_count"] = 5
    site.owner.see("heron", lambda s: s["fresh"], "fresh")
    controller.check(site.owner)
    site.heat(site.owner, "heron")
    site.owner.see("heron", lambda s: s["phase"] == "heating", "heating")
    return controller


def test_mqtt__a_risen_door_count_is_an_open_door():
    with Site() as site:
        site.start(sim_rooms=("otter",))
        controller = heating_by_hand(site)
        count = len(site.observer.permits("heron"))
        controller.reading["door_count"] = 6  # while "closed" all the time
        wait(lambda: [m for _, m in site.observer.permits("heron")[count:]
                      if not m["heat"] and m["reason"] == "door-open"],
             "the revoke")
        site.owner.call("heat.stop", room="heron")
        controller.check(site.owner)
        site.owner.see("heron", lambda s: s["check"]["state"] == "valid",
                       "valid")
        controller.reading["door_count"] = 7
        site.owner.see("heron", lambda s: s["check"]["state"] == "void",
                       "void")


def test_mqtt__power_without_a_permit_is_a_welded_contactor():
    with Site() as site:
        site.start(sim_rooms=("otter",))
        controller = Controller(site, site.observer, "heron")
        site.owner.see("heron", lambda s: s["fresh"], "fresh")
        # 5 % of 6 kW are 300 W: below that is standby
        controller.reading["power_w"] = 290
        start = boottime()
        wait(lambda: boottime() > start + 12, "more than two leases", 30)
        assert site.owner.call("room.state", room="heron")["lockouts"] == []
        controller.reading["power_w"] = 310  # though "heater" says "off"
        site.owner.see("heron", lambda s: s["lockouts"] ==
                       ["heater-unbidden"], "heater-unbidden", 20)
        alarm = wait(lambda: [n for n in site.observer.notices("heron")
                              if n["level"] == "alarm"], "the alarm")
        assert any("heater-unbidden" in n["code"] + n["text"]
                   for n in alarm), alarm


def test_mqtt__the_panel_button_proves_once_and_only_live():
    with Site() as site:
        site.config["rooms"]["heron"]["check_evidence"] = "panel"
        site.start_broker()
        before = Observer(site.broker_port)
        site.closers.append(before.close)
        before.publish(f"{ROOT}/heron/event",
                       {"v": 1, "boot": "b001", "seq": 1,
                        "event": "room-check"}, retain=True)
        site.start_gateway()
        site.observer = site.observe()
        owner = site.owner = site.admin()
        controller = Controller(site, before, "heron")
        owner.watch("heron")
        owner.see("heron", lambda s: s["fresh"], "fresh")

        def satisfied():
            return owner.call("check.open",
                              room="heron")["evidence"]["satisfied"]
        assert not satisfied(), "a retained event is no evidence"
        controller.event("room-check", retain=True)
        controller.say()
        rev = owner.rooms["heron"]["rev"]
        owner.see("heron", lambda s: s["rev"] > rev + 1, "it to be read")
        assert not satisfied(), "retained while the gateway listens"
        pressed = controller.event("room-check")
        wait(satisfied, "the button")
        opened = owner.call("check.open", room="heron")
        owner.call("check.sign", check=opened["check"],
                   agreed=[s["id"] for s in opened["statements"]])
        for _ in range(2):  # replayed: QoS 1 may, an attacker will
            before.publish(f"{ROOT}/heron/event", pressed)
        rev = owner.rooms["heron"]["rev"]
        owner.see("heron", lambda s: s["rev"] > rev + 2, "them to be read")
        opened = owner.call("check.open", room="heron")
        assert not opened["evidence"]["satisfied"], \
            "one press serves one signature"


def test_mqtt__another_topic_root():
    with Site() as site:
        site.config["broker"]["topic_root"] = "site/7/heat"
        site.start_broker()
        site.start_gateway()
        site.sim = Sim(site, ("heron", "otter"), speed=10,
                       extra=("--root", "site/7/heat"))
        site.owner = site.admin()
        site.owner.watch("heron")
        site.owner.see("heron", lambda s: s["fresh"], "fresh")
        started(site)
        observer = site.observe(topics=("#",))
        wait(lambda: [m for m in observer.messages
                      if m[1] == "site/7/heat/heron/permit"], "a permit")
        assert not [m for m in observer.messages if m[1].startswith(ROOT)]
