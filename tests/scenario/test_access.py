"""Who may come in, how long, and what ends when access ends."""
import os
import stat
import time

from harness import SLOW, RpcError, Site, rfc3339, wait
from peers import guest, metrics, people, staff, stay, wait_record


def issue(site, label="a party", rooms=("heron",), **when):
    return site.owner.call("guest.issue", rooms=list(rooms), label=label,
                           **stay(**when))


def hello(site, **how):
    """One hello on a connection of its own (ten seconds are all that one
    without a hello gets): the error, or None."""
    client = site.client()
    try:
        client.call("hello", **how)
        return None
    except RpcError as error:
        return error
    finally:
        client.close()


def test_access__codes_are_typed_as_people_type():
    with Site() as site:
        site.start(sim_rooms=None)
        code = issue(site)["code"]
        loose = code.replace("1", "l").replace("0", "o")
        forms = [code, code.lower(), code.replace("-", ""),
                 code.replace("-", " "), " " + code + " ",
                 code.replace("1", "I").replace("0", "O"), loose,
                 loose.upper(), code.lower().replace("-", "")]
        for form in forms:
            client = site.client(form)
            assert client.who["role"] == "guest", form
            client.close()
        # a code drawn with no 1 or 0 proves less: try some more
        for _ in range(4):
            code = issue(site)["code"]
            site.client(code.replace("1", "i").replace("0", "o")).close()


def test_access__one_wrong_symbol_is_a_typing_mistake_not_a_guess():
    with Site() as site:
        site.start(sim_rooms=None)
        code = issue(site)["code"]
        client = site.client()
        other = "7" if code[-1] != "7" else "8"
        plain = code.replace("-", "")
        swapped = next(plain[:i] + plain[i + 1] + plain[i] + plain[i + 2:]
                       for i in range(6, len(plain) - 1)
                       if plain[i] != plain[i + 1])
        for typed in [code[:-1] + other, swapped, code[:-1], code + "7",
                      "", "hello", "U" * 17, "\u00e9" * 17, code + "\n"] * 3:
            error = client.refused("hello", code=typed)
            # none counts as a wrong code, so none is slowed down
            assert error.code in (1002, -32602), (typed, str(error))
        assert client.call("hello", code=code)["role"] == "guest"


def test_access__a_wrong_secret_is_1002_and_recorded():
    with Site() as site:
        site.start(sim_rooms=None)
        revoked = issue(site)
        site.owner.call("guest.revoke", id=revoked["id"])
        client = site.client()
        error = client.refused("hello", code=revoked["code"])
        assert error.code == 1002 and error.message
        error = client.refused("hello", token="no-such-token")
        assert error.code == 1002
        record = wait_record(site, kind="sign-in-refused")
        assert all(r["reasons"] for r in record)
        assert revoked["code"] not in str(site.journal())


def test_access__stays_have_edges():
    with Site() as site:
        site.start(sim_rooms=None)
        assert site.owner.refused("guest.issue", rooms=["heron"],
                                  **stay(-7200, -1)).code == -32602
        past, later = issue(site, begin_s=-7200, end_s=2), \
            issue(site, begin_s=3600, end_s=7200)
        wait(lambda: rfc3339(0) > past["until"], "the stay to be over")
        client = site.client()
        for code in (past["code"], later["code"]):
            error = client.refused("hello", code=code)
            assert error.code == 1003 and error.reasons == {"outside-stay"}, \
                error
            assert all(r["text"] and r["remedy"]
                       for r in error.data["reasons"])
        soon = issue(site, begin_s=2, end_s=8)

        def sign_in():
            try:
                return client.call("hello", code=soon["code"])
            except RpcError as error:
                assert error.code == 1003, error
        start = time.time()
        who = wait(sign_in, "the stay to begin")
        assert who["until"] == soon["until"]
        assert time.time() >= start + 0.5, "not before its beginning"
        code, reason = client.wait_closed(15)
        assert code >= 4000 and "access-ended" in reason, (code, reason)
        assert rfc3339(0) >= soon["until"], "not before its end"
        other = site.client()
        assert other.refused("hello", token=who["token"]).code in (1002, 1003)
        assert other.refused("hello", code=soon["code"]).code == 1003


def test_access__a_guests_heat_ends_with_its_stay():
    with Site() as site:
        site.start(speed=10)
        client = guest(site, end_s=9)
        site.check(client, "heron")
        heat = site.heat(client, "heron", duration_min=60)
        assert heat["ends_at"] == client.issued["until"], (heat,
                                                           client.issued)
        site.sim.wait_on("heron")
        site.owner.see("heron", lambda s: s["last"] and
                       s["last"]["heat_id"] == heat["heat_id"], "the end", 20)
        assert site.owner.rooms["heron"]["last"]["end"] == "access-ended"
        site.sim.wait_off("heron")
        assert rfc3339(0) >= client.issued["until"]
        client.wait_closed()


def test_access__rotation_ends_all_that_the_old_codes_began():
    with Site() as site:
        site.start(speed=10)
        clients = people(site)
        both = guest(site, ["heron", "otter"], label="both rooms")
        other = guest(site, ["otter"], label="other room")
        old = clients["guest"]
        token = old.who["token"]
        site.check(old, "heron")
        site.heat(old, "heron")
        site.sim.wait_on("heron")
        new = site.owner.call("guest.rotate", rooms=["heron"],
                              label="new party", **stay())
        assert set(new["ended_ids"]) == {old.issued["id"], both.issued["id"]}
        for client in (old, both):
            code, reason = client.wait_closed()
            assert code >= 4000 and "access-ended" in reason, (code, reason)
        site.owner.see("heron", lambda s: s["last"] and
                       s["last"]["end"] == "access-ended", "the heat's end")
        site.sim.wait_off("heron")
        fresh = site.client()
        assert fresh.refused("hello", token=token).code == 1002
        assert fresh.refused("hello", code=old.issued["code"]).code == 1002
        assert fresh.refused("hello", code=both.issued["code"]).code == 1002
        assert fresh.call("hello", code=new["code"])["rooms"] == ["heron"]
        # nobody else lost anything
        assert other.call("room.list")["rooms"]
        for role in ("caretaker", "integrator", "manager"):
            assert clients[role].call("room.list")["rooms"], role
        lists = {g["id"]: g["ended"] for g in
                 site.owner.call("guest.list")["guests"]}
        assert lists == {old.issued["id"]: True, both.issued["id"]: True,
                         other.issued["id"]: False, new["id"]: False}
        assert "code" not in str(site.owner.call("guest.list")), \
            "a code is shown once"


def test_access__rotation_leaves_the_heat_of_others_alone():
    with Site() as site:
        site.start(speed=10)
        guest(site)
        integrator = staff(site, "integrator")
        site.check(site.owner, "heron")
        heat = site.heat(integrator, "heron")
        site.sim.wait_on("heron")
        site.owner.call("guest.rotate", rooms=["heron"], label="new",
                        **stay())
        wait_record(site, kind="access-ended")
        state = site.owner.call("room.state", room="heron")
        assert state["heat"] and state["heat"]["heat_id"] == heat["heat_id"]
        assert site.sim.truth("heron")["truth_on"]


def test_access__a_new_code_for_a_stay_to_come_ends_the_old_now():
    """The acceptance story: rotation at check-out, hours before check-in."""
    with Site() as site:
        site.start(sim_rooms=None)
        old = guest(site)
        new = site.owner.call("guest.rotate", rooms=["heron"], label="next",
                              **stay(3600, 7200))
        old.wait_closed()
        error = site.client().refused("hello", code=new["code"])
        assert error.code == 1003 and error.reasons == {"outside-stay"}


def test_access__revoking_ends_staff_and_guests_alike():
    with Site() as site:
        site.start(speed=10)
        for role in ("guest", "caretaker", "integrator", "manager"):
            client = guest(site) if role == "guest" else staff(site, role)
            if role in ("integrator", "manager", "guest"):
                site.check(site.owner, "heron")
                site.heat(client, "heron")
                site.sim.wait_on("heron")
            method = "guest.revoke" if role == "guest" else "staff.revoke"
            site.owner.call(method, id=client.issued["id"])
            client.wait_closed()
            site.sim.wait_off("heron")
            fresh = site.client()
            for how in ({"code": client.issued["code"]},
                        {"token": client.who["token"]},
                        {"token": client.issued.get("token", "x")}):
                assert fresh.refused("hello", **how).code == 1002, (role, how)
            assert site.owner.refused(method,
                                      id=client.issued["id"]).code == 1004
        # staff is not revoked as a guest is, nor the other way round
        caretaker = staff(site, "caretaker")
        assert site.owner.refused("guest.revoke",
                                  id=caretaker.issued["id"]).code == 1004
        assert caretaker.call("room.list")["rooms"]


def test_access__a_revoked_codes_plan_does_not_start():
    with Site() as site:
        site.start(sim_rooms=("heron:start_c=70",), speed=10)
        client = guest(site, end_s=36000)
        site.check(client, "heron")
        client.call("heat.plan", room="heron", target_c=80, duration_min=60,
                    ready_at=rfc3339(20000))
        site.owner.see("heron", lambda s: s["plan"], "the plan")
        site.owner.call("guest.revoke", id=client.issued["id"])
        site.owner.see("heron", lambda s: s["plan"] is None or
                       s["plan"]["at_risk"], "the plan gone or at risk")


def test_access__slow_down_after_five_wrong_codes():
    with Site() as site:
        site.start(speed=10)
        signed_in = guest(site)
        site.check(signed_in, "heron")
        site.heat(signed_in, "heron")
        site.sim.wait_on("heron")
        dead = issue(site)
        site.owner.call("guest.revoke", id=dead["id"])
        right = issue(site)
        client = site.client()
        codes = []
        for _ in range(5):
            codes.append(client.refused("hello", code=dead["code"]).code)
        assert codes == [1002] * 5, codes
        error = client.refused("hello", code=dead["code"])
        assert error.code == 1005 and error.data["retry_after_s"] == 1, error
        # also for right codes, and on another connection from here
        other = site.client()
        error = other.refused("hello", code=right["code"])
        assert error.code == 1005, error
        # never the signed in, the stop, the admin socket
        assert signed_in.call("room.state", room="heron")["heat"]
        signed_in.call("heat.stop", room="heron")
        site.sim.wait_off("heron")
        assert site.owner.call("room.list")["rooms"]
        # doubling
        waits = []
        for _ in range(3):
            def again():
                error = hello(site, code=dead["code"])
                if error.code == 1005:
                    waits.append(error.data["retry_after_s"])
                return error.code == 1002
            wait(again, "another wrong code to be judged", 20, 0.1)
            error = hello(site, code=dead["code"])
            assert error.code == 1005, error
            waits.append(error.data["retry_after_s"])
        assert {2, 4, 8} <= set(waits) and max(waits) == 8, waits
        assert metrics(site)["heatgate_sign_ins_slowed_total"] >= 5

        # the wait over, a right code opens
        def right_opens():
            error = hello(site, code=right["code"])
            assert error is None or error.code == 1005, error
            return error is None
        wait(right_opens, "the right code to be let in", 20, 0.2)


def test_access__a_flood_of_wrong_codes_slows_nobody_signed_in():
    with Site() as site:
        site.start(speed=10)
        manager = staff(site, "manager")
        dead = issue(site)
        site.owner.call("guest.revoke", id=dead["id"])
        flooders = [site.client() for _ in range(40)]
        site.check(manager, "heron")
        site.heat(manager, "heron")
        site.sim.wait_on("heron")
        keys = [f.begin("hello", code=dead["code"]) for f in flooders]
        start = time.monotonic()
        manager.call("heat.stop", room="heron")
        took = time.monotonic() - start
        assert took < 1 * SLOW, f"heat.stop took {took:.2f} s in a flood"
        site.sim.wait_off("heron")
        codes = [f.answer(k)["error"]["code"]
                 for f, k in zip(flooders, keys)]
        assert set(codes) <= {1002, 1005} and codes.count(1005) >= 20, codes


def test_access__tokens_sign_in_and_die_with_their_credential():
    with Site() as site:
        site.start(sim_rooms=None)
        client = guest(site)
        second = site.client(token=client.who["token"])
        assert second.who["who"] == client.who["who"]
        assert second.who["rooms"] == ["heron"]
        tokens = {client.who["token"]}
        for _ in range(3):
            again = site.client(client.issued["code"])
            tokens.add(again.who["token"])
            again.close()
        assert len(tokens) == 4, "each code sign-in gets a token of its own"
        site.owner.call("guest.revoke", id=client.issued["id"])
        for each in (client, second):
            each.wait_closed()
        fresh = site.client()
        for token in tokens:
            assert fresh.refused("hello", token=token).code == 1002


def test_access__session_tokens_do_not_survive_a_restart():
    with Site() as site:
        site.start(sim_rooms=None)
        client = guest(site)
        integrator = staff(site, "integrator")
        site.kill("gateway")
        site.start_gateway()
        fresh = site.client()
        assert fresh.refused("hello", token=client.who["token"]).code == 1002
        # codes and the integrator's long-lived token do
        site.client(client.issued["code"])
        who = site.client(token=integrator.issued["token"]).who
        assert who["role"] == "integrator"


def test_access__an_integrator_has_a_long_lived_token():
    with Site() as site:
        site.start(speed=10)
        integrator = staff(site, "integrator")
        token = integrator.issued["token"]
        assert len(token) >= 32
        for role in ("caretaker", "manager"):
            assert "token" not in staff(site, role).issued
        client = site.client(token=token)
        assert client.who["role"] == "integrator"
        assert client.who["until"] is None
        with open(site.config["state_dir"] + "/credentials.json") as file:
            stored = file.read()
        secret = token.split("_")[-1]
        assert secret not in stored and token not in stored
        assert integrator.issued["code"] not in stored
        assert client.refused("check.open", room="heron").code == 1003
        site.check(site.owner, "heron")
        site.heat(client, "heron")
        site.sim.wait_on("heron")
        # wrong tokens of the right form
        wrong = token[:-1] + ("0" if token[-1] != "0" else "1")
        assert site.client().refused("hello", token=wrong).code == 1002
        site.owner.call("staff.revoke", id=integrator.issued["id"])
        client.wait_closed()
        site.sim.wait_off("heron")


def test_access__state_files_are_private():
    with Site() as site:
        site.start(sim_rooms=None)
        guest(site)
        top = site.config["state_dir"]
        for folder, _, files in os.walk(top):
            for name in files:
                mode = stat.S_IMODE(os.stat(
                    os.path.join(folder, name)).st_mode)
                assert mode & 0o077 == 0 or "journal" in folder, (name,
                                                                  oct(mode))


def post_code(site, code):
    path = site.dir + "/place"
    with open(path, "w") as file:
        file.write(code + "\n")
    os.chmod(path, 0o600)
    site.config["rooms"]["heron"].update(
        check_evidence="place-code", place_code_file=path)


def test_access__a_place_code_is_evidence():
    with Site() as site:
        post_code(site, "K7QM-2W9X")
        site.start(speed=10)
        client = guest(site)
        opened = client.call("check.open", room="heron")
        assert opened["evidence"]["kind"] == "place-code"
        agreed = [s["id"] for s in opened["statements"]]
        for typed in (None, "WRONG", "k7qm2w9y"):
            asked = {"check": opened["check"], "agreed": agreed}
            if typed is not None:
                asked["place_code"] = typed
            error = client.refused("check.sign", **asked)
            assert error.reasons == {"check-missing"}, (typed, error)
        client.call("check.sign", check=opened["check"], agreed=agreed,
                    place_code="k7qm 2w9x")
        site.heat(client, "heron")
        site.sim.wait_on("heron")
        assert "K7QM" not in str(site.journal())


def test_access__guessing_a_place_code_is_slowed_down():
    with Site() as site:
        post_code(site, "K7QM-2W9X")
        site.start(speed=10)
        client = guest(site)
        opened = client.call("check.open", room="heron")
        asked = {"check": opened["check"],
                 "agreed": [s["id"] for s in opened["statements"]]}
        for _ in range(5):
            error = client.refused("check.sign", place_code="K7QM-2W9Y",
                                   **asked)
            assert error.code == 1001, error
        # now the right one waits as well, and says how long, whoever asks
        for who in (client, site.owner):
            error = who.refused("check.sign", place_code="K7QM-2W9X", **asked)
            assert error.code == 1005, error
            assert error.data["retry_after_s"] == 1, error.data
        assert client.refused("check.sign", **asked).code == 1001
        client.call("heat.stop", room="heron")  # stopping never waits

        def is_signed():
            try:
                return client.call("check.sign", place_code="K7QM-2W9X",
                                   **asked)
            except RpcError as error:
                assert error.code == 1005, error
                return None
        wait(is_signed, "the end of the wait")


def test_access__the_panel_button_is_evidence():
    with Site() as site:
        site.config["rooms"]["heron"].update(check_evidence="panel")
        site.start(speed=10)
        client = guest(site)
        opened = client.call("check.open", room="heron")
        assert opened["evidence"]["kind"] == "panel"
        agreed = [s["id"] for s in opened["statements"]]
        site.sim.look_in("heron")  # a door cycle alone proves nothing here
        site.owner.see("heron", lambda s: s["door"] == "open", "open")
        site.owner.see("heron", lambda s: s["door"] == "closed", "closed")
        error = client.refused("check.sign", check=opened["check"],
                               agreed=agreed)
        assert error.reasons == {"check-missing"}, error
        site.sim.do("heron button room-check")
        opened = wait(lambda: (lambda o: o["evidence"]["satisfied"] and o)(
            client.call("check.open", room="heron")), "the button")
        client.call("check.sign", check=opened["check"], agreed=agreed)
        site.heat(client, "heron")
        site.sim.wait_on("heron")


def test_access__signing_is_for_the_one_who_opened_it():
    with Site() as site:
        site.start(speed=10)
        first, second = guest(site), guest(site)
        site.sim.look_in("heron")
        opened = wait(lambda: (lambda o: o["evidence"]["satisfied"] and o)(
            first.call("check.open", room="heron")), "evidence")
        agreed = [s["id"] for s in opened["statements"]]
        assert second.refused("check.sign", check=opened["check"],
                              agreed=agreed).code == 1004
        first.call("check.sign", check=opened["check"], agreed=agreed)


def test_access__hello_again_changes_who_one_is():
    with Site() as site:
        site.start(sim_rooms=None)
        first, second = issue(site), issue(site, rooms=["otter"])
        client = site.client(first["code"])
        client.watch("heron")
        try:
            who = client.call("hello", code=second["code"])
        except RpcError as error:
            assert error.code in (1003, -32600), error
            assert [s["room"] for s in
                    client.call("room.list")["rooms"]] == ["heron"]
            return
        assert who["rooms"] == ["otter"]
        assert [s["room"] for s in
                client.call("room.list")["rooms"]] == ["otter"]
        seen = len(client.patches)
        site.owner.call("lockout.set", room="heron", lockout="locked-out",
                        note="trial")
        client.call("room.list")
        assert len(client.patches) == seen, "the old identity's watch lives on"
