"""Plans: they outlive a restart, need all that a start needs, and say at
once what would prevent them."""
from datetime import datetime

from harness import ROOT, Site, rfc3339, wait


def moment(text):
    return datetime.fromisoformat(text.replace("Z", "+00:00")).timestamp()


def plan_soon(site, room, seconds):
    """A plan that starts about so many seconds from now."""
    preview = wait(lambda: site.owner.call(
        "heat.preview", room=room, target_c=80,
        duration_min=60)["forecast"], "a forecast")
    lead = moment(preview["high"]) - moment(rfc3339(0))
    return site.owner.call("heat.plan", room=room, target_c=80,
                           duration_min=60, ready_at=rfc3339(lead + seconds))


def test_plan__after_a_restart_still_needs_everything():
    with Site() as site:
        site.start(sim_rooms=("heron", "otter:start_c=79"))
        site.check(site.owner, "otter")
        plan_soon(site, "otter", 8)
        site.owner.see("otter", lambda s: s["plan"] and
                       s["plan"]["at_risk"] == [], "a plan in order")
        # while nobody looks, the door opens: the check is void
        site.kill("gateway")
        site.sim.look_in("otter")
        wait(lambda: site.sim.truth("otter")["door_count"] >= 2 and
             site.sim.truth("otter")["door"] == "closed", "the door")
        site.start_gateway()
        owner = site.admin()
        owner.watch("otter")
        owner.see("otter", lambda s: s["fresh"], "fresh telemetry")
        wait(lambda: site.journal(kind="plan-missed"), "the plan to be missed",
             90)
        owner.see("otter", lambda s: s["plan"] is None and
                  s["phase"] == "idle", "no plan")
        notice = wait(lambda: site.observer.notices("otter", "plan-missed"),
                      "the alarm")[0]
        assert notice["level"] == "alarm", notice
        assert site.journal(kind="heat-granted") == []
        assert not any(m["heat"] for _, m in site.observer.permits("otter"))
        assert not site.sim.truth("otter")["truth_on"]


def test_plan__tells_at_once_what_would_prevent_it():
    with Site() as site:
        site.start()
        site.check(site.owner, "heron")
        site.owner.call("heat.plan", room="heron", target_c=80,
                        duration_min=60, ready_at=rfc3339(36000))
        owner, sim = site.owner, site.sim

        def at_risk(code):
            owner.see("heron", lambda s: s["plan"] and
                      code in s["plan"]["at_risk"], code)

        owner.see("heron", lambda s: s["plan"] and s["plan"]["at_risk"] == [],
                  "in order")
        sim.do("heron fault silent")
        at_risk("telemetry-stale")
        wait(lambda: site.observer.notices("heron", "plan-at-risk"),
             "the notice")
        sim.do("heron fault none")
        owner.see("heron", lambda s: s["fresh"], "fresh again")
        # the door counter proves the check unbroken
        owner.see("heron", lambda s: s["plan"]["at_risk"] == [], "in order")
        sim.do("heron door open")
        at_risk("door-open")
        sim.do("heron door close")
        site.check(owner, "heron")
        owner.see("heron", lambda s: s["plan"]["at_risk"] == [], "in order")
        owner.call("lockout.set", room="heron", note="a bench is loose")
        at_risk("locked-out")
        sim.do("heron link down")
        at_risk("controller-offline")
        risks = [m for _, m in site.observer.all(f"{ROOT}/heron/notice")
                 if m["code"] == "plan-at-risk"]
        assert len(risks) >= 3, risks
        assert site.journal(kind="heat-granted") == []


def test_plan__stones_and_wood_known_lengthen_the_lead():
    rooms = {"heron": Site.room(),
             "otter": Site.room(stones_kg=150),
             "otter-2": Site.room(wood_mm=40)}
    with Site(rooms) as site:
        site.start(sim_rooms=tuple(f"{room}:start_c=8" for room in rooms))

        def lead(room):
            forecast = wait(lambda: site.owner.call(
                "heat.preview", room=room, target_c=80,
                duration_min=60)["forecast"], "a forecast")
            return moment(forecast["ready_at"]) - moment(rfc3339(0))

        usual = lead("heron")
        assert 1800 < usual < 5400, usual
        for room in ("otter", "otter-2"):
            assert lead(room) > usual + 300, (room, lead(room), usual)
