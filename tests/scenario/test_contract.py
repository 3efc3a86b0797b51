"""One site in which every message of the contract is met, and every method
with what it grants and what it refuses. Recorded (HG_RECORD), it is what
tests/outside/npm holds against the schemas."""
import base64
import hashlib
import json
import urllib.request

from harness import ROOT, RpcError, Site, boottime, rfc3339, wait
from test_commission import NAMES, png, site_with
from test_mqtt import Asker
from test_switch import site_of, start

PIECE_BYTES = 30 << 10  # of a photograph, in one call
MEMBERS = {"events": "notice",
           "actions": "heat.preview heat.start heat.change heat.stop "
                      "heat.plan heat.unplan output.set check.open check.sign"}


def get(site, path):
    url = f"http://127.0.0.1:{site.port}{path}"
    with urllib.request.urlopen(url, timeout=20) as answer:
        return answer.headers, answer.read()


def site_with_everything():
    locked = Site.room(label="Otter cabin", usage_class="semi-public",
                       check_evidence="panel")
    locked.pop("commissioning")
    heron = Site.room(outputs={"light": True, "fan_run_on_min": 10})
    return Site(rooms={"heron": heron, "otter": locked},
                price_per_kwh=0.31, currency="EUR")


def refuse(client, method, *codes, **params):
    code = client.refused(method, **params).code
    assert code in codes, (method, code)


def meet_people(site):
    owner = site.owner
    stay = {"rooms": ["heron"], "from": rfc3339(-60), "until": rfc3339(7200)}
    first = owner.call("guest.issue", label="first party", **stay)
    code = owner.call("guest.rotate", label="next party", **stay)
    assert code["ended_ids"] == [first["id"]]
    assert owner.call("guest.list", room="heron")["guests"]
    refuse(owner, "guest.issue", -32602, rooms=[], **{
        k: stay[k] for k in ("from", "until")})
    refuse(owner, "guest.rotate", -32602, rooms="heron")
    refuse(owner, "guest.revoke", 1004, id=first["id"])
    extra = owner.call("guest.issue", label="extra", **stay)
    assert owner.call("guest.revoke", id=extra["id"])["id"] == extra["id"]
    integrator = owner.call("staff.issue", role="integrator", rooms="*")
    manager = owner.call("staff.issue", role="manager", rooms=["heron"],
                         label="M")
    assert len(owner.call("staff.list")["staff"]) == 2
    refuse(owner, "staff.issue", -32602, role="guest", rooms="*")
    assert owner.call("staff.revoke", id=manager["id"])
    refuse(owner, "staff.revoke", 1004, id=manager["id"])
    guest = site.client(code=code["code"])
    for method in ("guest.list", "staff.list", "journal.head"):
        refuse(guest, method, 1003)
    refuse(site.client(), "hello", 1002, code="HF6TH-KPJWQS-2NH6JE")
    refuse(site.client(), "hello", -32602)
    refuse(site.client(), "room.list", 1002)
    assert site.client(token=guest.who["token"]).who["role"] == "guest"
    return guest, integrator["token"]


def meet_rooms(site, guest):
    assert guest.call("room.list")["rooms"][0]["room"] == "heron"
    assert guest.call("room.state", room="heron")["rev"]
    guest.watch("heron")
    for method in ("room.state", "room.watch", "room.unwatch", "heat.stop",
                   "heat.preview", "heat.unplan"):
        refuse(guest, method, 1004, room="otter")
    refuse(guest, "lockout.set", 1003, room="heron", note="x")
    owner = site.owner
    assert owner.call("lockout.set", room="heron", note="paint")["lockouts"]
    owner.call("lockout.clear", room="heron", lockout="locked-out", note="dry")
    refuse(owner, "lockout.set", -32602, room="heron", note=" ")
    refuse(owner, "lockout.clear", 1004, room="heron", lockout="no-rise",
           note="none")


def meet_outputs(site, guest):
    light = {"room": "heron", "output": "light", "on": True}
    assert guest.call("output.set", **light)["outputs"]["light"]
    refuse(guest, "output.set", -32602, **{**light, "output": "heater"})
    refuse(site.owner, "output.set", 1004, **{**light, "room": "otter"})
    wait(lambda: site.observer.all(f"{ROOT}/heron/outputs"), "the outputs")


def meet_heat(site, guest):
    refuse(guest, "heat.start", 1001, room="heron", target_c=80,
           duration_min=60)
    refuse(guest, "heat.change", 1004, room="heron", target_c=70)
    refuse(guest, "heat.plan", -32602, room="heron", target_c=80,
           duration_min=60, ready_at=rfc3339(-60))
    refuse(guest, "check.sign", 1001, agreed=[], check=guest.call(
        "check.open", room="heron")["check"])
    refuse(guest, "check.open", 1004, room="otter")
    site.check(guest, "heron")
    assert guest.call("heat.preview", room="heron", target_c=60,
                      duration_min=30)["allowed"]
    assert guest.call("heat.plan", room="heron", target_c=80, duration_min=60,
                      ready_at=rfc3339(7000))["starts_at"]
    # a plan is changed at most once a second
    wait(lambda: unplanned(guest), "the plan to be dropped", every=0.3)
    heat = guest.call("heat.start", room="heron", target_c=80,
                      duration_min=60)["heat_id"]
    site.sim.wait_on("heron")
    guest.call("heat.change", room="heron", target_c=75, duration_min=50)
    assert guest.call("room.unwatch", room="heron") == {}
    guest.call("heat.stop", room="heron")
    site.sim.wait_off("heron")
    return heat


def unplanned(client):
    try:
        return client.call("heat.unplan", room="heron")
    except RpcError as error:
        assert error.code == 1005, error
        return None


def meet_commissioning(site):
    owner = site.owner
    refuse(owner, "commission.step", 1004, room="otter", step="names")
    names = dict.fromkeys(("heater", "controller", "cable", "electrician"),
                          "invented")
    assert owner.call("commission.begin", room="otter",
                      kind="full")["current"]["next"] == "names"
    refuse(owner, "commission.begin", 1006, room="otter")
    owner.call("commission.step", room="otter", step="names", data=names)
    refuse(owner, "commission.finish", 1001, room="otter")
    assert owner.call("commission.state", room="otter")["current"]
    refuse(owner, "commission.state", 1004, room="otter", photo="0" * 64)
    assert owner.call("commission.abandon", room="otter")["current"] is None
    refuse(owner, "commission.abandon", 1004, room="otter")


def meet_records(site, heat):
    owner = site.owner
    assert owner.call("journal.read", limit=1000)["records"]
    refuse(owner, "journal.read", -32602, limit=0)
    assert owner.call("journal.head")["n"]
    assert owner.call("report.energy", room="heron", until=rfc3339(60),
                      **{"from": rfc3339(-3600)})["heats"]
    refuse(owner, "report.energy", -32602, room="heron", until=rfc3339(0),
           **{"from": rfc3339(60)})
    assert wait(lambda: heat_report(owner, heat),
                "the course of the heat")["samples"]
    refuse(owner, "report.heat", 1004, heat_id="h-0000000000000000")


def heat_report(client, heat):
    try:
        return client.call("report.heat", heat_id=heat)
    except RpcError as error:
        assert error.code == 1004, error
        return None


def meet_messages(site, token):
    hub = Asker(site, token)
    assert hub.call("room.list")["result"]["rooms"]
    assert hub.call("heat.stop", token=False,
                    room="heron")["error"]["code"] == 1002
    site.sim.do("otter button room-check")
    for topic in ("heron/online", "gateway", "journal"):
        wait(lambda t=topic: site.observer.all(f"{ROOT}/{t}"), topic)
    wait(lambda: site.observer.all(f"{ROOT}/otter/event"), "a local event")
    wait(lambda: site.observer.notices("heron", "stopped"), "a notice")


def test_contract__every_message_and_method_is_met():
    with site_with_everything() as site:
        site.start(speed=10)
        guest, token = meet_people(site)
        meet_rooms(site, guest)
        meet_outputs(site, guest)
        heat = meet_heat(site, guest)
        meet_commissioning(site)
        meet_records(site, heat)
        meet_messages(site, token)
        typing = site.client()
        wait(lambda: slowed(typing), "to be told to slow down", every=0)


def slowed(client):
    return client.refused("hello", code="HF6TH-KPJWQS-2NH6JE").code == 1005


def test_contract__the_thing_is_described():
    with Site() as site:
        site.start_broker()
        site.start_gateway()
        headers, body = get(site, "/.well-known/wot")
        thing = json.loads(body)
        assert headers["content-type"] == "application/td+json"
        assert headers["x-content-type-options"] == "nosniff"
        assert thing["uriVariables"]["room"]["enum"] == ["heron", "otter"]
        for kind, names in MEMBERS.items():
            assert set(thing[kind]) == set(names.split()), kind
        href = thing["properties"]["state"]["forms"][0]["href"]
        assert href == f"mqtt://127.0.0.1:{site.broker_port}/{ROOT}" \
                       "/{room}/state"


class Record:
    """The guided record by the methods themselves, step after step."""

    def __init__(self, site):
        self.site, self.call = site, site.owner.call
        self.current = self.call("commission.begin", room="heron")["current"]

    def step(self, name, **data):
        state = self.call("commission.step", room="heron", step=name,
                          data=data)
        self.current = state.get("current")
        return state

    def stands(self, name):
        state = self.call("commission.state", room="heron")
        return next(s for s in state["current"]["steps"] if s["step"] == name)

    def wait(self, name, what, **members):
        wait(lambda: all(self.stands(name).get(k) == v
                         for k, v in members.items()),
             lambda: f"{what}; it is {self.stands(name)}", 60)

    def say_doors(self):
        for say in ("closed", "open", "closed"):
            self.site.sim.do("heron door " + say.replace("closed", "close"))
            self.step("door", say=say)
            wait(lambda: self.stands("door").get("waits_for") != "settle",
                 f"the door to read {say}")
        assert self.stands("door")["state"] == "passed", self.stands("door")

    def try_door(self):
        self.step("heat")
        self.wait("heat", "the start to be waited for", waits_for="start-heat")
        self.site.sim.do("heron local start")
        self.wait("heat", "the air to rise", state="passed")
        self.step("cut")
        self.wait("cut", "the heater to be on", waits_for="open-door")
        self.site.sim.do("heron door open")
        self.wait("cut", "the heater to go off", waits_for="keep-open")
        since = boottime()
        wait(lambda: boottime() > since + 7, "the door to have been open",
             every=0.2)
        self.site.sim.do("heron door close")
        self.wait("cut", "the door to cut the heat", state="passed")
        self.site.sim.do("heron local stop")

    def send_photo(self):
        picture = png(65)
        for offset in range(0, len(picture), PIECE_BYTES):
            piece = picture[offset:offset + PIECE_BYTES]
            self.step("photos", label="a block", offset=offset,
                      of=len(picture),
                      base64=base64.b64encode(piece).decode())
        self.step("photos")
        return picture


def test_contract__a_whole_commissioning_is_met():
    with site_with() as site:
        site.start(sim_rooms=["heron"], speed=20)
        record = Record(site)
        record.step("names", **NAMES)
        record.step("placement", agreed=[
            s["id"] for s in record.current["statements"]])
        record.say_doors()
        record.step("sensor",
                    thermometer_c=site.sim.truth("heron")["air_true_c"])
        record.try_door()
        record.step("module")
        picture = record.send_photo()
        assert record.current["next"] is None, record.current
        done = site.owner.call("commission.finish", room="heron")
        state = site.owner.call("commission.state", room="heron")
        assert state["commissioned"] and \
            state["done"]["digest"] == done["digest"]
        digest = hashlib.sha256(picture).hexdigest()
        piece = site.owner.call("commission.state", room="heron",
                                photo=digest, offset=0)
        assert picture.startswith(base64.b64decode(piece["base64"]))
        record = site.owner.call("journal.read", after=done["n"] - 1,
                                 limit=1)["records"][0]
        assert record["digest"] == done["digest"]


def test_contract__a_binding_is_read():
    with site_of() as site:
        start(site)
        assert site.owner.call("binding.read", room="heron")["connected"]
        assert site.owner.refused("binding.read", room="gone").code == 1004
