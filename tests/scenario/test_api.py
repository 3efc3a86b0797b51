"""Every method of the contract's section 2, as another program meets it."""
import getpass
import hashlib
import json
import os
import re
import subprocess
import tempfile
import time

from harness import RpcError, Site, rfc3339, wait
from peers import ROLES, guest, http, people, staff, stay, wait_record

# contract 3.1 and its end reasons; the words are fixed
WALL = re.compile(r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)$")
PHASES = {"idle", "planned", "heating", "holding", "locked"}
CHECKS = {"none", "valid", "void", "expired", "used"}

EVERYBODY = set(ROLES)
ASKERS = {"guest", "integrator", "manager", "owner"}
ON_SITE = {"guest", "caretaker", "manager", "owner"}
STAFF = {"manager", "owner"}

# method: who may (contract 2 with the clarifications of 6), parameters
MATRIX = [
    ("room.list", EVERYBODY, lambda: {}),
    ("room.state", EVERYBODY, lambda: {"room": "heron"}),
    ("room.watch", EVERYBODY, lambda: {"room": "heron"}),
    ("room.unwatch", EVERYBODY, lambda: {"room": "heron"}),
    ("check.open", ON_SITE, lambda: {"room": "heron"}),
    ("check.sign", ON_SITE, lambda: {"check": "c-0", "agreed": []}),
    ("heat.preview", ASKERS, lambda: {"room": "heron"}),
    ("heat.start", ASKERS, lambda: {"room": "heron", "target_c": 80,
                                    "duration_min": 60}),
    ("heat.change", ASKERS, lambda: {"room": "heron", "target_c": 80}),
    ("heat.stop", EVERYBODY, lambda: {"room": "heron"}),
    ("heat.plan", ASKERS, lambda: {"room": "heron", "target_c": 80,
                                   "ready_at": rfc3339(7200),
                                   "duration_min": 60}),
    ("heat.unplan", ASKERS, lambda: {"room": "heron"}),
    ("output.set", ASKERS, lambda: {"room": "heron", "output": "light",
                                    "on": True}),
    ("guest.issue", STAFF, lambda: {"rooms": ["heron"], "label": "x",
                                    **stay()}),
    ("guest.revoke", STAFF, lambda: {"id": "g-00000"}),
    ("guest.list", STAFF, lambda: {}),
    ("staff.issue", {"owner"}, lambda: {"role": "caretaker",
                                        "rooms": ["heron"], "label": "x"}),
    ("staff.revoke", {"owner"}, lambda: {"id": "c-00000"}),
    ("staff.list", {"owner"}, lambda: {}),
    ("lockout.set", STAFF, lambda: {"room": "heron", "lockout": "locked-out",
                                    "note": "trial"}),
    ("lockout.clear", STAFF, lambda: {"room": "heron",
                                      "lockout": "locked-out",
                                      "note": "trial over"}),
    ("journal.read", STAFF, lambda: {}),
    ("journal.head", STAFF, lambda: {}),
    # last: it ends the guest's connection
    ("guest.rotate", STAFF, lambda: {"rooms": ["heron"], "label": "y",
                                     **stay()}),
]


def code_of(client, method, params):
    """0: a result; else the error's code."""
    try:
        client.call(method, **params)
        return 0
    except RpcError as error:
        return error.code


def is_number(value):
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def check_state(state):
    """Contract 3.2, member by member."""
    assert set(state) == {
        "room", "label", "rev", "phase", "air_c", "door", "heater", "fresh",
        "seen_at", "check", "heat", "plan", "forecast", "permit", "last",
        "lockouts", "may_start", "reasons", "findings", "settings_wait",
        "limits"}, sorted(state)
    assert isinstance(state["rev"], int) and state["rev"] >= 0
    assert state["phase"] in PHASES
    assert state["air_c"] is None or is_number(state["air_c"])
    assert state["door"] in ("open", "closed", None)
    assert state["heater"] in ("on", "off", None)
    assert isinstance(state["fresh"], bool)
    assert state["seen_at"] is None or WALL.match(state["seen_at"])
    assert set(state["check"]) == {"state", "until", "why"}
    assert state["check"]["state"] in CHECKS
    assert set(state["permit"]) == {"live", "serial", "until"}
    assert isinstance(state["permit"]["live"], bool)
    assert isinstance(state["lockouts"], list)
    assert isinstance(state["may_start"], bool)
    assert state["may_start"] == (state["reasons"] == []), state["reasons"]
    if state["heat"] is not None:
        assert set(state["heat"]) == {"heat_id", "target_c", "started_at",
                                      "ends_at", "by", "held", "energy_wh"}
    if state["plan"] is not None:
        assert set(state["plan"]) == {"target_c", "ready_at", "duration_min",
                                      "starts_at", "by", "at_risk"}
    if state["last"] is not None:
        assert set(state["last"]) == {"heat_id", "ended_at", "end"}
    if state["forecast"] is not None:
        assert set(state["forecast"]) == {"ready_at", "low", "high"}
        f = state["forecast"]
        assert f["low"] <= f["ready_at"] <= f["high"], f


def test_api__state_has_the_shape_of_the_contract():
    with Site() as site:
        site.start(speed=10)
        listed = site.owner.call("room.list")["rooms"]
        assert [s["room"] for s in listed] == ["heron", "otter"]
        for state in listed:
            check_state(state)
        site.check(site.owner, "heron")
        state = site.owner.call("room.state", room="heron")
        check_state(state)
        assert state["check"]["state"] == "valid"
        assert WALL.match(state["check"]["until"])
        assert state["may_start"] is True
        heat = site.heat(site.owner, "heron")
        assert WALL.match(heat["ends_at"])
        site.sim.wait_on("heron")
        site.owner.see("heron", lambda s: s["heater"] == "on" and
                       s["forecast"], "heating with a forecast")
        state = site.owner.call("room.state", room="heron")
        check_state(state)
        assert state["heat"]["heat_id"] == heat["heat_id"]
        assert state["heat"]["target_c"] == 80
        assert state["heat"]["held"] is False
        assert state["heat"]["ends_at"] == heat["ends_at"], (
            "one heat, one end", state["heat"], heat)
        assert state["permit"]["live"] and WALL.match(state["permit"]["until"])
        site.owner.call("heat.stop", room="heron")
        plan = site.owner.call("heat.plan", room="heron", target_c=80,
                               ready_at=rfc3339(10800), duration_min=90)
        assert WALL.match(plan["starts_at"]), plan
        assert set(plan["forecast"]) == {"ready_at", "low", "high"}, plan
        state = site.owner.call("room.state", room="heron")
        check_state(state)
        assert state["last"]["end"] == "stopped"
        assert state["plan"]["duration_min"] == 90
        assert state["plan"]["starts_at"] == plan["starts_at"]


def test_api__each_role_may_what_the_contract_says_and_no_more():
    with Site() as site:
        site.start()
        clients = people(site)
        wrong = []
        # commissioning stays on the admin socket, whoever asks elsewhere
        for role in ROLES[:-1]:
            code = code_of(clients[role], "commission.begin",
                           {"room": "heron"})
            assert code in (1003, -32601), (role, code)
        for method, allowed, params in MATRIX:
            for role in ROLES:
                code = code_of(clients[role], method, params())
                good = code in (0, 1001, 1004, 1005) if role in allowed \
                    else code == 1003
                if not good:
                    wrong.append((method, role, code))
        assert not wrong, wrong


def test_api__another_room_does_not_exist():
    with Site() as site:
        site.start()
        clients = people(site)
        wrong = []
        for method, allowed, params in MATRIX:
            for role in allowed - {"owner"}:
                asked = params()
                if "room" in asked:
                    asked["room"] = "otter"
                elif "rooms" in asked:
                    asked["rooms"] = ["heron", "otter"]
                else:
                    continue
                unknown = dict(asked)
                unknown["room" if "room" in asked else "rooms"] = \
                    "nowhere" if "room" in asked else ["nowhere"]
                errors = []
                for case in (asked, unknown):
                    try:
                        clients[role].call(method, **case)
                        errors.append((0, None))
                    except RpcError as error:
                        errors.append((error.code, re.sub(
                            "nowhere|otter", "ROOM", error.message)))
                if errors[0][0] != 1004 or errors[0] != errors[1]:
                    wrong.append((method, role, errors))
        assert not wrong, wrong
        assert [s["room"] for s in
                clients["guest"].call("room.list")["rooms"]] == ["heron"]


def test_api__manager_sees_only_what_belongs_to_its_rooms():
    with Site() as site:
        site.start()
        manager = staff(site, "manager", ["heron"])
        other = guest(site, ["otter"], label="otter party")
        both = guest(site, ["heron", "otter"], label="both")
        own = guest(site, ["heron"], label="heron party")
        ids = {g["id"] for g in manager.call("guest.list")["guests"]}
        assert own.issued["id"] in ids and other.issued["id"] not in ids
        assert manager.refused("guest.revoke",
                               id=other.issued["id"]).code == 1004
        # rotation would end a code that reaches into a room of others
        assert manager.refused("guest.rotate", rooms=["heron"], label="z",
                               **stay()).code == 1003
        site.owner.call("guest.revoke", id=both.issued["id"])
        manager.call("guest.rotate", rooms=["heron"], label="z", **stay())
        own.wait_closed()
        assert other.call("room.list")["rooms"][0]["room"] == "otter"
        wait_record(site, kind="access-ended", count=2)
        read = manager.call("journal.read", limit=1000)["records"]
        assert read and all(r["room"] in ("heron", None) for r in read)
        text = json.dumps(read)
        assert "otter" not in text and other.issued["id"] not in text, text


def test_api__before_hello_every_method_asks_to_sign_in():
    with Site() as site:
        site.start()
        client = site.client()
        for method, _, params in MATRIX:
            for asked in (params(), {}):
                assert code_of(client, method, asked) == 1002, method
        assert code_of(client, "no.such.method", {}) in (1002, -32601)
        for params in ({}, {"code": 7}, {"code": "a", "token": "b"},
                       {"code": ""}):
            assert code_of(client, "hello", params) == -32602, params
        # after all that a right code still opens
        issued = site.owner.call("guest.issue", rooms=["heron"], label="x",
                                 **stay())
        who = client.call("hello", code=issued["code"])
        assert who["who"] == "guest:" + issued["id"], who
        assert who["role"] == "guest" and who["rooms"] == ["heron"]
        assert WALL.match(who["until"]) and len(who["token"]) >= 20
        assert client.call("room.list")["rooms"]


def test_api__no_hello_within_ten_seconds_ends_the_connection():
    with Site() as site:
        site.start()
        silent, chatty = site.client(), site.client()
        start = time.monotonic()
        while not silent.closed:
            try:
                code_of(chatty, "room.list", {})
            except Exception:
                assert chatty.closed
                break
            time.sleep(0.3)
        silent.wait_closed(30)
        took = time.monotonic() - start
        assert 9 < took < 20, took
        assert silent.closed[0] not in (1006, 1000) and silent.closed[1], \
            silent.closed
        chatty.wait_closed()


def test_api__wrong_parameters_are_named():
    with Site() as site:
        site.start()
        owner = site.owner
        cases = [
            ("room.state", {}, "room"),
            ("room.state", {"room": 7}, "room"),
            ("room.state", {"room": None}, "room"),
            ("room.state", {"room": "No Room"}, "room"),
            ("heat.start", {"room": "heron", "duration_min": 60}, "target_c"),
            ("heat.start", {"room": "heron", "target_c": "80",
                            "duration_min": 60}, "target_c"),
            ("heat.start", {"room": "heron", "target_c": True,
                            "duration_min": 60}, "target_c"),
            ("heat.start", {"room": "heron", "target_c": 80}, "duration_min"),
            ("heat.start", {"room": "heron", "target_c": 80,
                            "duration_min": 0}, "duration_min"),
            ("heat.start", {"room": "heron", "target_c": 80,
                            "duration_min": -5}, "duration_min"),
            ("heat.start", {"room": "heron", "target_c": 80,
                            "duration_min": 1.5}, "duration_min"),
            ("heat.start", {"room": "heron", "target_c": 80,
                            "duration_min": 2**62}, "duration_min"),
            ("heat.plan", {"room": "heron", "target_c": 80,
                           "duration_min": 60, "ready_at": "18:00"},
             "ready_at"),
            ("heat.plan", {"room": "heron", "target_c": 80,
                           "duration_min": 60,
                           "ready_at": "2026-02-30T10:00:00Z"}, "ready_at"),
            ("heat.plan", {"room": "heron", "target_c": 80,
                           "duration_min": 60,
                           "ready_at": "2020-01-01T10:00:00Z"}, "ready_at"),
            ("heat.change", {"room": "heron"}, None),
            ("check.sign", {"agreed": []}, "check"),
            ("check.sign", {"check": "c-0", "agreed": "all"}, "agreed"),
            ("check.sign", {"check": "c-0", "agreed": [1]}, "agreed"),
            ("guest.issue", {"rooms": "heron", **stay()}, "rooms"),
            ("guest.issue", {"rooms": [], **stay()}, "rooms"),
            ("guest.issue", {"rooms": ["heron"], "from": rfc3339(0),
                             "until": rfc3339(-1)}, "until"),
            ("guest.issue", {"rooms": ["heron"], "until": rfc3339(9)},
             "from"),
            ("staff.issue", {"role": "king", "rooms": ["heron"]}, "role"),
            ("staff.issue", {"role": "owner", "rooms": ["heron"]}, "role"),
            ("staff.issue", {"role": "guest", "rooms": ["heron"]}, "role"),
            ("lockout.set", {"room": "heron", "lockout": "locked-out"},
             "note"),
            ("lockout.set", {"room": "heron", "lockout": "locked-out",
                             "note": " \t "}, "note"),
            ("lockout.set", {"room": "heron", "lockout": "door-open",
                             "note": "x"}, "lockout"),
            ("lockout.set", {"room": "heron", "lockout": "nonsense",
                             "note": "x"}, "lockout"),
            ("journal.read", {"limit": 0}, "limit"),
            ("journal.read", {"after": -1}, "after"),
            ("journal.read", {"after": "1"}, "after"),
        ]
        wrong = []
        for method, params, name in cases:
            try:
                wrong.append((method, params, owner.call(method, **params)))
            except RpcError as error:
                says = error.message + json.dumps(error.data)
                if error.code != -32602 or (name and name not in says):
                    wrong.append((method, params, str(error)))
        assert not wrong, "\n".join(map(str, wrong))
        # positional parameters: ours have names only
        owner.send('{"jsonrpc":"2.0","id":"p","method":"room.state",'
                   '"params":["heron"]}')
        assert owner.answer("p")["error"]["code"] == -32602
        # unknown members are ignored (contract, preamble)
        assert owner.call("room.state", room="heron", colour="blue")


def test_api__json_rpc_specification_examples():
    """JSON-RPC 2.0 specification, section 7, with our method names."""
    with Site() as site:
        site.start()
        owner = site.owner

        def ask(text, key=None):
            owner.send(text)
            return owner.answer(key)

        # rpc call with named parameters
        answer = ask('{"jsonrpc": "2.0", "method": "room.state", '
                     '"params": {"room": "heron"}, "id": 3}', 3)
        assert set(answer) == {"jsonrpc", "id", "result"}
        assert answer["jsonrpc"] == "2.0" and answer["id"] == 3
        # a notification; then rpc call of non-existent method
        owner.send('{"jsonrpc": "2.0", "method": "room.state", '
                   '"params": {"room": "heron"}}')
        answer = ask('{"jsonrpc": "2.0", "method": "foobar", "id": "1"}', "1")
        assert answer["error"]["code"] == -32601
        assert "result" not in answer
        # rpc call with invalid JSON
        answer = ask('{"jsonrpc": "2.0", "method": "foobar, "params": "bar", '
                     '"baz]')
        assert answer["error"]["code"] == -32700 and answer["id"] is None
        # rpc call with invalid request object
        answer = ask('{"jsonrpc": "2.0", "method": 1, "params": "bar"}')
        assert answer["error"]["code"] == -32600 and answer["id"] is None
        # batch, invalid JSON
        answer = ask('[{"jsonrpc": "2.0", "method": "sum", "params": '
                     '[1,2,4], "id": "1"},{"jsonrpc": "2.0", "method"]')
        assert answer["error"]["code"] == -32700 and answer["id"] is None
        # empty array
        answer = ask("[]")
        assert isinstance(answer, dict) and answer["error"]["code"] == -32600
        # invalid batch, not empty
        answer = ask("[1]")
        assert len(answer) == 1 and answer[0]["error"]["code"] == -32600
        answer = ask("[1,2,3]")
        assert len(answer) == 3
        assert all(a["error"]["code"] == -32600 and a["id"] is None
                   for a in answer)
        # batch
        answer = ask(json.dumps([
            {"jsonrpc": "2.0", "method": "room.state",
             "params": {"room": "heron"}, "id": "1"},
            {"jsonrpc": "2.0", "method": "heat.stop",
             "params": {"room": "heron"}},
            {"jsonrpc": "2.0", "method": "room.list", "id": "2"},
            {"foo": "boo"},
            {"jsonrpc": "2.0", "method": "foo.get",
             "params": {"name": "myself"}, "id": "5"},
            {"jsonrpc": "2.0", "method": "journal.head", "id": "9"}]))
        assert len(answer) == 5, answer
        by_id = {a["id"]: a for a in answer}
        assert set(by_id) == {"1", "2", "5", "9", None}
        assert by_id["1"]["result"]["room"] == "heron"
        assert by_id["2"]["result"]["rooms"]
        assert by_id[None]["error"]["code"] == -32600
        assert by_id["5"]["error"]["code"] == -32601
        assert by_id["9"]["result"]["n"] >= 1
        # all notifications: nothing comes back
        owner.send(json.dumps([
            {"jsonrpc": "2.0", "method": "heat.stop",
             "params": {"room": "heron"}},
            {"jsonrpc": "2.0", "method": "foobar"}]))
        owner.call("room.state", room="heron")
        with owner.lock:
            left = {k: v for k, v in owner.answers.items() if v}
        assert not left, left


def test_api__ids_and_versions_are_taken_as_the_specification_says():
    with Site() as site:
        site.start()
        owner = site.owner
        for key in (0, -7, "", "x" * 60, 2**53 - 1, 1.5):
            owner.send(json.dumps({"jsonrpc": "2.0", "id": key,
                                   "method": "room.list"}))
            assert "result" in owner.answer(key), key
        # null is an id too (discouraged), not a notification
        owner.send('{"jsonrpc":"2.0","id":null,"method":"room.list"}')
        assert "result" in owner.answer(None)
        for text in ('{"jsonrpc":"1.0","id":1,"method":"room.list"}',
                     '{"id":1,"method":"room.list"}',
                     '{"jsonrpc":2.0,"id":1,"method":"room.list"}',
                     '{"jsonrpc":"2.0","id":{},"method":"room.list"}',
                     '{"jsonrpc":"2.0","id":[1],"method":"room.list"}',
                     '{"jsonrpc":"2.0","id":true,"method":"room.list"}',
                     '{"jsonrpc":"2.0","id":1}', "7", '"x"', "null"):
            owner.send(text)
            key = wait(lambda: next((k for k in list(owner.answers)
                                     if owner.answers[k]), "none yet")
                       != "none yet" and [k for k in list(owner.answers)
                                          if owner.answers[k]],
                       f"an answer to {text}")[0]
            answer = owner.answer(key)
            assert answer["error"]["code"] == -32600, (text, answer)
            assert answer["id"] in (None, 1), answer
        for params in ("7", '"x"', "null", "true"):
            owner.send('{"jsonrpc":"2.0","id":"q","method":"room.list",'
                       f'"params":{params}}}')
            code = owner.answer("q")["error"]["code"]
            assert code in (-32600, -32602), (params, code)


def test_api__batches_have_at_most_twenty():
    with Site() as site:
        site.start()
        owner = site.owner

        def batch(count):
            return [{"jsonrpc": "2.0", "method": "room.state", "id": i,
                     "params": {"room": "heron"}} for i in range(count)]
        owner.send(json.dumps(batch(20)))
        answer = owner.answer(None)
        assert sorted(a["id"] for a in answer) == list(range(20))
        owner.send(json.dumps(batch(21)))
        answer = owner.answer(None)
        assert isinstance(answer, dict) and answer["id"] is None
        assert answer["error"]["code"] == -32600, answer
        # hello in a batch signs in for what follows in it
        issued = site.owner.call("guest.issue", rooms=["heron"], label="x",
                                 **stay())
        client = site.client()
        client.send(json.dumps([{"jsonrpc": "2.0", "id": 1, "method": "hello",
                                 "params": {"code": issued["code"]}}]))
        assert client.answer(None)[0]["result"]["role"] == "guest"


def test_api__the_admin_socket_needs_no_hello():
    with Site() as site:
        site.start()
        mode = os.stat(site.config["admin_socket"]).st_mode & 0o777
        assert mode == 0o660, oct(mode)
        site.check(site.owner, "heron")
        site.heat(site.owner, "heron")
        by = site.owner.see("heron", lambda s: s["heat"], "heat")["heat"]["by"]
        assert by == f"owner:uid={os.getuid()}", by
        who = site.owner.call("hello")
        assert who["who"] == "local:" + getpass.getuser(), who
        assert who["role"] == "owner" and \
            sorted(who["rooms"]) == ["heron", "otter"], who
        assert site.owner.call("staff.list") == {"staff": []}


def test_api__guests_never_learn_of_other_guests():
    with Site() as site:
        site.start(speed=10)
        first = guest(site, label="First party", end_s=36000)
        second = guest(site, label="Second party")
        second.watch("heron")
        site.check(first, "heron")
        heat = site.heat(first, "heron")
        second.see("heron", lambda s: s["heat"], "heat")
        assert second.rooms["heron"]["heat"]["by"] == "another guest"
        state = second.call("room.state", room="heron")
        assert state["heat"]["by"] == "another guest"
        own = first.call("room.state", room="heron")["heat"]["by"]
        assert own == "guest:" + first.issued["id"]
        assert site.owner.rooms["heron"]["heat"]["by"] == own
        first.call("heat.plan", room="heron", target_c=80, duration_min=60,
                   ready_at=rfc3339(20000))
        second.see("heron", lambda s: s["plan"], "the plan")
        assert second.rooms["heron"]["plan"]["by"] == "another guest"
        # may change neither, may stop
        assert second.refused("heat.change", room="heron",
                              duration_min=10).code == 1003
        time.sleep(1)  # plans change at most once a second (1005)
        assert second.refused("heat.unplan", room="heron").code == 1003
        second.call("heat.stop", room="heron")
        first.watch("heron")
        first.see("heron", lambda s: s["last"] and
                  s["last"]["heat_id"] == heat["heat_id"], "stopped")
        seen = json.dumps([second.patches, second.rooms, second.answers])
        for secret in (first.issued["id"], "First", first.issued["code"]):
            assert secret not in seen, (secret, seen)


def test_api__heat_change_is_for_the_starter_and_staff():
    with Site() as site:
        site.start(speed=10)
        clients = people(site)
        starter = clients["guest"]
        assert starter.refused("heat.change", room="heron",
                               duration_min=30).code == 1004
        site.check(starter, "heron")
        first = site.heat(starter, "heron", duration_min=30)
        other = guest(site)
        assert other.refused("heat.change", room="heron",
                             duration_min=40).code == 1003
        assert clients["integrator"].refused(
            "heat.change", room="heron", duration_min=40).code == 1003
        longer = starter.call("heat.change", room="heron", duration_min=45)
        assert longer["heat_id"] == first["heat_id"]
        assert longer["ends_at"] > first["ends_at"]
        shorter = clients["manager"].call("heat.change", room="heron",
                                          duration_min=20)
        assert shorter["ends_at"] < first["ends_at"]
        error = starter.refused("heat.change", room="heron", target_c=95)
        assert error.reasons == {"target-out-of-range"}, error
        error = starter.refused("heat.change", room="heron", target_c=95,
                                duration_min=361)
        assert error.reasons == {"target-out-of-range",
                                 "duration-over-cap"}, error
        state = starter.call("room.state", room="heron")
        assert state["heat"]["target_c"] == 80, "a refusal changes nothing"
        assert state["heat"]["ends_at"] == shorter["ends_at"]


def test_api__a_duration_that_has_passed_ends_the_heat():
    with Site() as site:
        site.start(speed=10)
        site.check(site.owner, "heron")
        site.heat(site.owner, "heron", duration_min=1)
        site.sim.wait_on("heron")
        ends = site.owner.rooms["heron"]["heat"]["ends_at"]
        site.owner.see("heron", lambda s: s["last"] and
                       s["last"]["end"] == "time-up", "time-up", 70)
        site.sim.wait_off("heron")
        last = site.owner.rooms["heron"]["last"]["ended_at"]
        assert last[:16] >= ends[:16], (last, ends)
        assert site.owner.rooms["heron"]["check"]["state"] == "used"
        assert site.owner.refused(
            "heat.start", room="heron", target_c=80,
            duration_min=10).reasons == {"check-missing"}


def test_api__heat_stop_succeeds_for_whoever_sees_the_room():
    with Site() as site:
        site.start(speed=10)
        clients = people(site)
        for role in ROLES:
            clients[role].call("heat.stop", room="heron")
        for role in ROLES:
            site.check(site.owner, "heron")
            heat = site.heat(site.owner, "heron")
            site.sim.wait_on("heron")
            clients[role].call("heat.stop", room="heron")
            site.sim.wait_off("heron")
            site.owner.see("heron", lambda s: s["last"] and
                           s["last"]["heat_id"] == heat["heat_id"] and
                           s["last"]["end"] == "stopped", "stopped")
        ended = wait_record(site, kind="heat-ended", count=5)
        actors = [r["actor"].split(":")[0] for r in ended]
        assert actors == list(ROLES), actors


def test_api__one_plan_a_room():
    with Site() as site:
        site.start()
        owner = site.owner
        assert owner.refused("heat.unplan", room="heron").code == 1004
        owner.call("heat.plan", room="heron", target_c=80, duration_min=60,
                   ready_at=rfc3339(7200))
        first = owner.see("heron", lambda s: s["plan"], "a plan")["plan"]
        assert first["by"].startswith("owner:")
        assert first["at_risk"] == ["check-missing"], first
        assert owner.rooms["heron"]["phase"] == "planned"
        error = owner.refused("heat.plan", room="otter", target_c=95,
                              duration_min=721, ready_at=rfc3339(7200))
        assert error.code == 1001
        assert error.reasons >= {"target-out-of-range"}, error.data

        def again():
            try:
                return owner.call("heat.plan", room="heron", target_c=70,
                                  duration_min=30, ready_at=rfc3339(9000))
            except RpcError as error:
                assert error.code == 1005, error
                assert error.data["retry_after_s"] == 1
        wait(again, "the plan to be replaced")
        second = owner.see("heron", lambda s: s["plan"] and
                           s["plan"]["target_c"] == 70, "the new plan")["plan"]
        assert second["duration_min"] == 30

        def unplan():
            try:
                return owner.call("heat.unplan", room="heron")
            except RpcError as error:
                assert error.code == 1005, error
        wait(unplan, "the plan to be taken back")
        owner.see("heron", lambda s: s["plan"] is None and
                  s["phase"] == "idle", "no plan")


def test_api__preview_says_what_a_start_would_meet():
    with Site() as site:
        site.start()
        owner = site.owner
        site.sim.do("heron door open")
        owner.see("heron", lambda s: s["door"] == "open", "open")
        asked = {"room": "heron", "target_c": 95, "duration_min": 361}
        preview = owner.call("heat.preview", **asked)
        error = owner.refused("heat.start", **asked)
        assert preview["allowed"] is False
        assert preview["reasons"] == error.data["reasons"]
        site.sim.do("heron door close")
        site.check(owner, "heron")
        preview = owner.call("heat.preview", room="heron", target_c=80,
                             duration_min=60, ready_at=rfc3339(10800))
        assert preview["allowed"] is True and preview["reasons"] == []
        f = preview["forecast"]
        assert f["low"] <= f["ready_at"] <= f["high"], f
        # previews leave no trace
        assert not site.journal(kind="heat-granted")
        assert owner.rooms["heron"]["check"]["state"] == "valid"


def test_api__a_check_needs_all_statements_and_its_evidence():
    with Site() as site:
        site.start(speed=10)
        owner = site.owner
        opened = owner.call("check.open", room="heron")
        ids = [s["id"] for s in opened["statements"]]
        assert len(set(ids)) == len(ids) >= 4
        assert all(s["text"] for s in opened["statements"])
        assert opened["evidence"]["kind"] == "door-cycle"
        assert opened["evidence"]["satisfied"] is False
        assert opened["evidence"]["hint"]
        # no look-in yet
        error = owner.refused("check.sign", check=opened["check"], agreed=ids)
        assert error.reasons == {"check-missing"} and error.data["hint"]
        site.sim.look_in("heron")
        owner.see("heron", lambda s: s["door"] == "open", "open")
        owner.see("heron", lambda s: s["door"] == "closed", "closed")
        # not all agreed; a statement that does not exist
        for agreed in (ids[:-1], [], ids[:-1] + ["nonsense"]):
            error = owner.refused("check.sign", check=opened["check"],
                                  agreed=agreed)
            assert error.code in (1001, -32602), error
        assert owner.refused("check.sign", check="c-" + "0" * 16,
                             agreed=ids).code == 1004
        # a failed sign does not burn the check; a second signature needs a
        # second look-in
        done = owner.call("check.sign", check=opened["check"], agreed=ids)
        assert WALL.match(done["until"])
        assert owner.refused("check.sign", check=opened["check"],
                             agreed=ids).code in (1001, 1004)
        again = owner.call("check.open", room="heron")
        assert again["evidence"]["satisfied"] is False
        assert owner.refused("check.sign", check=again["check"],
                             agreed=ids).reasons == {"check-missing"}
        signed = wait_record(site, kind="check-signed")
        assert len(signed) == 1 and signed[0]["actor"].startswith("owner:")


def test_api__one_check_opens_one_heat():
    with Site() as site:
        site.start(speed=10)
        first, second = guest(site), guest(site)
        site.check(first, "heron")
        keys = [c.begin("heat.start", room="heron", target_c=80,
                        duration_min=60) for c in (first, second)]
        answers = [first.answer(keys[0]), second.answer(keys[1])]
        assert sum("result" in a for a in answers) == 1, answers
        refused = next(a for a in answers if "error" in a)["error"]
        assert refused["code"] == 1001
        assert {r["code"] for r in refused["data"]["reasons"]} & {
            "already-heating", "check-missing"}, refused
        assert len(wait_record(site, kind="heat-granted")) == 1


def test_api__the_journal_is_read_page_by_page():
    with Site() as site:
        site.start(speed=10)
        owner = site.owner
        for i in range(3):
            site.check(owner, "heron")
            site.heat(owner, "heron")
            owner.call("heat.stop", room="heron")
        owner.call("lockout.set", room="otter", lockout="locked-out",
                   note="trial")
        wait_record(site, kind="heat-ended", count=3)
        whole = site.journal()
        pages, after = [], 0
        while True:
            page = owner.call("journal.read", after=after, limit=4)
            assert len(page["records"]) <= 4
            if not page["records"]:
                break
            pages += page["records"]
            after = page["next"]
        assert pages == whole, "what is read is what is on the disk"
        assert [r["n"] for r in pages] == list(range(1, len(pages) + 1))
        assert all({"n", "at", "prev", "kind", "room", "actor"} <= set(r)
                   for r in pages)
        assert all(b["at"] >= a["at"] for a, b in zip(pages, pages[1:]))
        only = owner.call("journal.read", room="otter",
                          limit=1000)["records"]
        assert only == [r for r in whole if r["room"] == "otter"] and only
        last = whole[-1]["n"]
        assert owner.call("journal.read", after=last)["records"] == []
        assert owner.call("journal.read", after=10**9)["records"] == []


def test_api__the_head_is_signed_and_openssl_agrees():
    with Site() as site:
        site.start()
        owner = site.owner
        owner.call("lockout.set", room="otter", lockout="locked-out",
                   note="trial")
        head = owner.call("journal.head")
        assert set(head) == {"n", "hash", "at", "key", "sig"}
        with tempfile.TemporaryDirectory() as folder:
            def write(name, data):
                path = os.path.join(folder, name)
                with open(path, "wb") as file:
                    file.write(data)
                return path

            def verify(text):
                # an Ed25519 key in DER: RFC 8410, section 4
                key = write("key", bytes.fromhex(
                    "302a300506032b6570032100" + head["key"]))
                return subprocess.run(
                    ["openssl", "pkeyutl", "-verify", "-pubin", "-keyform",
                     "DER", "-inkey", key, "-rawin", "-in",
                     write("text", text.encode()), "-sigfile",
                     write("sig", bytes.fromhex(head["sig"]))],
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.DEVNULL).returncode == 0
            text = f"{head['n']}\n{head['hash']}\n{head['at']}"
            assert verify(text), "openssl refuses the signature"
            assert not verify(text + "0"), "openssl accepts anything"
        lines = b""
        journal = os.path.join(site.config["state_dir"], "journal")
        for name in sorted(os.listdir(journal)):
            if name.endswith(".jsonl"):
                with open(os.path.join(journal, name), "rb") as file:
                    lines += file.read()
        line = lines.split(b"\n")[head["n"] - 1]
        assert hashlib.sha256(line).hexdigest() == head["hash"]


def test_api__refusals_cannot_fill_the_journal():
    with Site() as site:
        site.start()
        client = guest(site)
        start = time.monotonic()
        count = 60
        for _ in range(count):
            assert client.refused("heat.start", room="heron", target_c=80,
                                  duration_min=60).code == 1001
        seconds = time.monotonic() - start

        def all_told():
            records = [r for r in site.journal(room="heron")
                       if r["kind"] == "heat-refused"]
            return sum(r.get("count", 1) for r in records) == count and \
                records
        records = wait(all_told, lambda: [
            r for r in site.journal() if "refused" in r["kind"]])
        assert len(records) <= seconds + 3, (len(records), seconds)
        assert records[0]["actor"] == "guest:" + client.issued["id"]
        assert records[0]["reasons"] == ["check-missing"], records[0]


def test_api__a_lockout_is_set_and_cleared_by_name_and_note():
    with Site() as site:
        site.start(speed=10)
        manager = staff(site, "manager")
        site.check(manager, "heron")
        site.heat(manager, "heron")
        site.sim.wait_on("heron")
        done = manager.call("lockout.set", room="heron", lockout="locked-out",
                            note="the guard is loose")
        assert done["lockouts"] == ["locked-out"]
        site.sim.wait_off("heron")
        site.owner.see("heron", lambda s: s["phase"] == "locked" and
                       s["heat"] is None, "locked")
        site.check_refused = manager.refused(
            "heat.start", room="heron", target_c=80, duration_min=60)
        assert "locked-out" in site.check_refused.reasons
        assert manager.refused("lockout.clear", room="heron",
                               lockout="no-rise", note="x").code == 1004
        manager.call("lockout.clear", room="heron", lockout="locked-out",
                     note="the guard is tight")
        site.owner.see("heron", lambda s: s["phase"] == "idle", "idle")
        record = wait_record(site, kind="lockout-cleared")[0]
        assert record["actor"] == "manager:" + manager.issued["id"]
        assert record["note"] == "the guard is tight"


def test_api__health_and_metrics_answer_without_a_key_on_loopback():
    with Site() as site:
        site.start()
        status, headers, body = http(site, "/healthz")
        assert status == 200, (status, body)
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert "no-store" in headers["Cache-Control"]
        assert headers["Referrer-Policy"] == "no-referrer"
        assert "default-src 'none'" in headers["Content-Security-Policy"], \
            headers["Content-Security-Policy"]
        assert "Server" not in headers, headers["Server"]
        status, headers, body = http(site, "/metrics")
        assert status == 200 and body.endswith("# EOF\n")
        assert headers["Content-Type"].startswith(
            "application/openmetrics-text; version=1.0.0"), headers
        for path in ("/nothing", "/v1/rpc/x", "/../etc/passwd", "/healthz/"):
            assert http(site, path)[0] == 404, path
        assert http(site, "/healthz", method="POST")[0] in (404, 405)
        site.kill("broker")
        wait(lambda: http(site, "/healthz")[0] == 503, "503 with no broker")
