"""The change-over day of the acceptance story: a cleaner, old guests, new
guests, a manager and an owner, in the order of a real day."""
import time

from harness import Site, rfc3339, wait


def test_day__change_over_from_cleaning_to_old_codes():
    rooms = {"heron": Site.room(door_hold_max_s=6),
             "otter": Site.room(label="Otter cabin",
                                usage_class="semi-public")}
    with Site(rooms=rooms) as site:
        site.start(speed=10)
        sim, owner = site.sim, site.owner
        manager = site.client(owner.call(
            "staff.issue", role="manager", rooms=["heron", "otter"],
            label="manager")["code"])
        cleaner = site.client(owner.call(
            "staff.issue", role="caretaker", rooms=["heron"],
            label="cleaner")["code"])
        old = manager.call("guest.issue", rooms=["heron"],
                           **{"from": rfc3339(-86400),
                              "until": rfc3339(86400)}, label="old party")
        old_guest = site.client(old["code"])
        old_guest.watch("heron")

        # 1. 09:00 the cleaner clears the room; the gateway sees the door
        sim.look_in("heron")
        owner.see("heron", lambda s: s["door"] == "open", "the door open")
        owner.see("heron", lambda s: s["door"] == "closed", "and closed")

        # 2. 09:05 the cleaner signs with a code of their own
        opened = cleaner.call("check.open", room="heron")
        assert opened["evidence"]["satisfied"], opened
        agreed = [s["id"] for s in opened["statements"]]
        assert len(agreed) == 4
        cleaner.call("check.sign", check=opened["check"], agreed=agreed)
        owner.see("heron", lambda s: s["check"]["state"] == "valid", "valid")
        assert cleaner.refused("heat.start", room="heron", target_c=80,
                               duration_min=60).code == 1003

        # 3. 11:00 the old guests' code ends, the next one is issued
        new = manager.call("guest.rotate", rooms=["heron"],
                           **{"from": rfc3339(-60), "until": rfc3339(7200)},
                           label="new party")
        code, reason = old_guest.wait_closed()
        assert code >= 4000 and reason, (code, reason)

        # 4. 13:00 the wind opens the door; the plan says so at once
        plan = owner.call("heat.plan", room="heron", target_c=80,
                          duration_min=120, ready_at=rfc3339(3 * 3600))
        owner.see("heron", lambda s: s["plan"] and
                  s["plan"]["at_risk"] == [], "a plan in order")
        sim.do("heron door open for 1s")
        owner.see("heron", lambda s: s["check"]["state"] == "void" and
                  s["plan"]["at_risk"], "void and at risk")
        notice = wait(lambda: site.observer.notices("heron", "plan-at-risk"),
                      "the notice")[-1]
        assert notice["level"] == "warning" and notice["text"], notice
        assert plan["starts_at"]

        # 5. 13:40 the cleaner goes back, looks in, closes, signs
        site.check(cleaner, "heron")
        owner.see("heron", lambda s: s["plan"]["at_risk"] == [], "in order")

        # 7. the server reboots in the heat: off within the lease, told
        owner.call("heat.unplan", room="heron")
        site.heat(owner, "heron", duration_min=120)
        sim.wait_on("heron")
        site.kill("gateway", 9)
        wait(lambda: not sim.truth("heron")["truth_on"],
             "heat to end by lease", 8)
        site.start_gateway()
        owner = site.owner = site.admin()
        owner.watch("heron")
        owner.see("heron", lambda s: s["fresh"], "fresh")
        wait(lambda: [n for n in site.observer.notices("heron")
                      if "gateway-restart" in n["code"] or
                      "restart" in n["text"]], "the owner is told")
        assert owner.rooms["heron"]["phase"] == "idle"
        error = owner.refused("heat.start", room="heron", target_c=80,
                              duration_min=60)
        assert error.reasons == {"check-missing"}, error.reasons
        cleaner = site.client(owner.call(
            "staff.issue", role="caretaker", rooms=["heron"])["code"])
        site.check(cleaner, "heron")
        guest = site.client(new["code"])
        assert guest.who["rooms"] == ["heron"]
        guest.watch("heron")
        site.heat(guest, "heron", duration_min=60)
        sim.wait_on("heron")
        warm = sim.truth("heron")["air_true_c"]
        wait(lambda: sim.truth("heron")["air_true_c"] > warm + 2,
             "the room to get warmer", 40)

        # 8. 18:10 the guests walk in: held, then resumed
        sim.do("heron door open for 3s")
        guest.see("heron", lambda s: s["phase"] == "holding", "held")
        sim.wait_off("heron")
        guest.see("heron", lambda s: s["phase"] == "heating", "resumed")
        sim.wait_on("heron")

        # 9. 21:30 they leave the door ajar: ends after the hold limit
        sim.do("heron door open")
        guest.see("heron", lambda s: s["last"] and
                  s["last"]["end"] == "door-held-too-long", "ended", 20)
        sim.wait_off("heron")
        sim.do("heron door close")

        # 10. a guest of an earlier stay tries the old code
        stranger = site.client()
        errors = [stranger.refused("hello", code=old["code"])
                  for _ in range(7)]
        assert errors[0].code in (1002, 1003), errors[0]
        assert errors[-1].code == 1005, errors[-1]
        assert errors[-1].data["retry_after_s"] >= 1
        wait(lambda: site.journal(kind="sign-in-refused"), "the record")

        # afterwards it can be shown who did what
        kinds = {r["kind"] for r in site.journal()}
        for kind in ("check-signed", "check-voided", "plan-at-risk",
                     "heat-granted", "heat-ended", "access-issued",
                     "access-ended"):
            assert kind in kinds, (kind, kinds)
        ends = {r.get("why") for r in site.journal(kind="heat-ended")}
        assert {"gateway-restart", "door-held-too-long"} <= ends, ends
        assert all(old["code"] not in str(r) and new["code"] not in str(r)
                   for r in site.journal())
        site.verify()
