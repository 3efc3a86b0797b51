"""The broker configuration that we ship, config/mosquitto, with only its
port and paths changed: the gateway and controllers work under it, and nobody
but the gateway can say permit. The peers are paho and mosquitto."""
import json
import os
import re
import subprocess
import threading

import paho.mqtt.client as paho

from harness import ROOT, TOP, Sim, Site, wait

SHIPPED = os.path.join(TOP, "config", "mosquitto")
PASSWORDS = {"_gateway": "gateway-word", "heron": "room-word",
             "otter": "room-word", "_hub": "hub-word",
             "_witness": "witness-word"}
# above any serial of a gateway that was started a few times, below 2^52
FORGED = {"v": 1, "serial": 2 ** 40, "heat": True, "target_c": 90,
          "ttl_ms": 120000, "heat_id": "h-forged"}
TELEMETRY = {"v": 1, "boot": "f0f0", "seq": 1, "uptime_ms": 1000,
             "air_c": 20.0, "door": "closed", "heater": "off"}


def shipped_configuration(site):
    """The file as it is, less what names this machine's files and ports."""
    with open(os.path.join(SHIPPED, "heatgate.conf")) as file:
        text = file.read()
    for pattern, line in (
            (r"^listener 1883 127\.0\.0\.1$",
             f"listener {site.broker_port} 127.0.0.1"),
            (r"^password_file .*$", f"password_file {site.dir}/passwd"),
            (r"^acl_file .*$",
             f"acl_file {os.path.join(SHIPPED, 'heatgate.acl')}")):
        text, count = re.subn(pattern, line, text, flags=re.M)
        assert count == 1, f"{pattern}: {count} lines"
    return text


class GuardedSite(Site):
    """A site whose broker lets nobody in without a name."""

    def start_broker(self):
        path = os.path.join(self.dir, "passwd")
        with open(path, "w") as file:
            for name, word in PASSWORDS.items():
                file.write(f"{name}:{word}\n")
        subprocess.run(["mosquitto_passwd", "-U", path], check=True)
        os.chmod(path, 0o644)  # the broker runs as another user
        conf = os.path.join(self.dir, "mosquitto.conf")
        with open(conf, "w") as file:
            file.write(shipped_configuration(self))
        self.spawn("broker", ["mosquitto", "-c", conf])
        wait(lambda: self.can_connect(self.broker_port), "the broker")

    def secret(self, name):
        path = os.path.join(self.dir, f"{name}.password")
        with open(path, "w") as file:
            os.fchmod(file.fileno(), 0o600)
            file.write(PASSWORDS[name] + "\n")
        return path

    def start(self, rooms=("heron", "otter"), **sim):
        self.config["broker"].update(
            username="_gateway", password_file=self.secret("_gateway"))
        self.start_broker()
        self.start_gateway()
        self.sim = Sim(self, rooms, extra=[
            "--username", "%r", "--password-file", self.secret("heron")],
            **sim)
        self.owner = self.admin()
        for room in rooms:
            self.owner.watch(room)
            self.owner.see(room, lambda s: s["fresh"], "fresh telemetry")
        return self

    def as_user(self, name, topics=(ROOT + "/#",)):
        return self.observe(topics=topics, username=name,
                            password=PASSWORDS[name])


def marked(site, spy):
    """Everything that was routed before now has reached the spy."""
    marker = {"v": 1, "serial": site.next_marker(), "heat": False,
              "reason": "stopped"}
    spy.publish(f"{ROOT}/marker/permit", marker)
    wait(lambda: marker in [m for _, m in spy.permits("marker")],
         "the marker to arrive")


def counter():
    number = [0]

    def following():
        number[0] += 1
        return number[0]
    return following


def test_broker_acl__gateway_controllers_and_hub_work_under_it():
    with GuardedSite() as site:
        site.start(speed=10)
        hub, witness = site.as_user("_hub"), site.as_user("_witness")
        site.check(site.owner, "heron")
        heat = site.heat(site.owner, "heron")
        site.sim.wait_on("heron")
        wait(lambda: any(m and m["heat"] and
                         m["heat"]["heat_id"] == heat["heat_id"]
                         for _, m in hub.all(f"{ROOT}/heron/state")),
             "the hub to see the heat")
        wait(lambda: hub.notices("heron") or
             hub.all(f"{ROOT}/heron/online"), "the hub to see presence")
        site.owner.call("heat.stop", room="heron")
        site.sim.wait_off("heron")
        wait(lambda: witness.all(ROOT + "/journal") and
             witness.all(ROOT + "/gateway"), "the witness to see the head")
        # what each may not read did not reach it, though it asked for all
        topics = {m[1] for m in witness.messages}
        assert topics == {ROOT + "/journal", ROOT + "/gateway"}, topics
        leaves = {m[1].split("/")[-1] for m in hub.messages}
        assert not leaves & {"permit", "telemetry", "event"}, leaves


def test_broker_acl__only_the_gateway_says_permit():
    with GuardedSite() as site:
        site.start()
        site.next_marker = counter()
        spy = site.as_user("_gateway", [f"{ROOT}/+/{leaf}" for leaf in (
            "permit", "telemetry", "event", "online")] + [ROOT + "/gateway"])
        hub = site.as_user("_hub")
        forged = {"permit": FORGED, "telemetry": TELEMETRY,
                  "event": {"v": 1, "boot": "f0f0", "seq": 2,
                            "event": "room-check"},
                  "online": {"v": 1, "online": False, "forged": True},
                  "state": {"room": "heron", "forged": True},
                  "notice": {"v": 1, "room": "heron", "code": "forged"}}
        for name in ("otter", "_hub", "_witness"):
            attacker = site.as_user(name)
            for leaf, payload in forged.items():
                for retain in (False, True):
                    attacker.publish(f"{ROOT}/heron/{leaf}", payload,
                                     retain=retain)
            for leaf in ("gateway", "journal"):
                attacker.publish(f"{ROOT}/{leaf}", {"forged": True},
                                 retain=True)
        marked(site, spy)
        wait(lambda: hub.all(f"{ROOT}/heron/state"), "the hub to see heron")
        for watcher in (spy, hub, site.as_user("_hub")):
            with watcher.lock:
                heard = [m for m in watcher.messages
                         if b"forged" in m[2] or b"f0f0" in m[2]]
            assert not heard, heard
        assert not site.sim.truth("heron")["truth_on"]
        state = site.owner.call("room.state", room="heron")
        assert "rival-gateway" not in state["reasons"], state
        # and with the right name the very same message is let through
        spy.publish(f"{ROOT}/heron/permit", FORGED)
        wait(lambda: FORGED in [m for _, m in spy.permits("heron")],
             "the gateway's own name to be let through")


def test_broker_acl__a_will_is_no_way_round():
    with GuardedSite() as site:
        site.start()
        site.next_marker = counter()
        spy = site.as_user("_gateway", [f"{ROOT}/+/permit"])
        gone = threading.Event()
        client = paho.Client(client_id="otter-2", protocol=paho.MQTTv5)
        client.username_pw_set("otter", PASSWORDS["otter"])
        client.will_set(f"{ROOT}/heron/permit", json.dumps(FORGED), qos=1)
        up = threading.Event()
        client.on_connect = lambda *a: up.set()
        client.on_disconnect = lambda *a: gone.set()
        client.connect("127.0.0.1", site.broker_port)
        client.loop_start()
        # refused at once or silenced later: both are right
        wait(lambda: up.is_set() or gone.is_set(), "an answer")
        client.loop_stop()
        if client.socket():
            client.socket().close()  # no DISCONNECT: the will is due
        wait(lambda: "otter-2" not in connected(site), "the broker to see")
        marked(site, spy)
        assert not spy.permits("heron") or all(
            not m["heat"] for _, m in spy.permits("heron"))
        assert not site.sim.truth("heron")["truth_on"]


def connected(site):
    """Client ids that the broker's log says are connected now."""
    with open(os.path.join(site.dir, "broker.log"), errors="replace") as file:
        text = file.read()
    now = set()
    for line in text.split("\n"):
        new = re.search(r"New client connected from \S+ as (\S+)", line)
        end = re.search(r"Client (\S+) (closed|disconnected|has exceeded)",
                        line)
        if new:
            now.add(new.group(1))
        elif end:
            now.discard(end.group(1))
    return now


def refused_with(site, name, word):
    """The CONNACK reason of this name and password; None: let in."""
    answer = []
    client = paho.Client(client_id="", protocol=paho.MQTTv311)
    if name is not None:
        client.username_pw_set(name, word)
    client.on_connect = lambda c, u, flags, code: answer.append(code)
    client.connect("127.0.0.1", site.broker_port)
    client.loop_start()
    wait(lambda: answer, "the CONNACK", 10)
    client.loop_stop()
    client.disconnect()
    return answer[0] or None


def test_broker_acl__nobody_without_a_name():
    with GuardedSite() as site:
        site.start_broker()
        # 5: not authorized, MQTT 3.1.1 section 3.2.2.3
        assert refused_with(site, None, None) == 5
        assert refused_with(site, "_gateway", "wrong-word") == 5
        assert refused_with(site, "heron", PASSWORDS["_hub"]) == 5
        assert refused_with(site, "nobody", "room-word") == 5
        assert refused_with(site, "_hub", PASSWORDS["_hub"]) is None


def test_broker_acl__a_room_hears_its_own_permit_alone():
    with GuardedSite() as site:
        site.start()
        site.next_marker = counter()
        otter = site.as_user("otter")
        spy = site.as_user("_gateway", [f"{ROOT}/+/permit"])
        for room in ("heron", "otter"):
            spy.publish(f"{ROOT}/{room}/permit",
                        {"v": 1, "serial": 3, "heat": False,
                         "reason": "stopped"})
        marked(site, spy)
        wait(lambda: otter.permits("otter"), "otter's own permit")
        topics = {m[1] for m in otter.messages}
        assert topics == {ROOT + "/otter/permit"}, topics
