"""Disks that fail: a sync that reports an error, a full file system, one
without names left or turned read-only, files that cannot be replaced."""
import json
import os
import signal

from faults import (CLONE_NEWNS, LEASE_S, Strace, again, begin, heat_on, judge,
                    log_has, quick_site, run, sign, threads, unshare, wait_log)
from harness import RpcError, boottime, rfc3339, wait

RENAMES = "rename,renameat,renameat2"


def state_dir(site):
    return site.config["state_dir"]


def end_of_heat(site, grant, end):
    site.owner.see("heron", lambda s: s["last"] and
                   s["last"]["heat_id"] == grant["heat_id"] and
                   s["last"]["end"] == end, end)
    site.sim.wait_off("heron", 2)


def nothing_starts(site, reason="journal-unavailable"):
    """Refused by name, and the heater stays off."""
    try:
        answer = site.heat(site.owner, "heron")
    except RpcError as error:
        assert error.code == 1006 or reason in error.reasons, error
    else:
        raise AssertionError(f"it started without a journal: {answer}")
    assert not site.sim.truth("heron")["truth_on"]


def stop_works(site):
    site.owner.call("heat.stop", room="heron")


def heats_again(site):
    """Without a hand: the reason goes away, a check and a start work."""
    wait(lambda: "journal-unavailable" not in site.owner.call(
        "room.state", room="heron")["reasons"], "the journal to be back")
    wait_log(site, "the journal is written again")
    return heat_on(site)


def make_record(site, minutes=[60]):
    """Something that wants to be recorded; it may be refused meanwhile."""
    minutes[0] += 1
    try:
        site.owner.call("heat.change", room="heron",
                        duration_min=60 + minutes[0] % 60)
    except RpcError as error:
        assert error.code in (1001, 1004, 1006), error


def test_fault__sync_fails_once_heat_ends_and_comes_back():
    with quick_site() as site:
        begin(site)
        first = heat_on(site)
        trace = Strace(site, threads(site.processes["gateway"].pid),
                       "fdatasync", "error=EIO:when=1")
        make_record(site)
        site.sim.wait_off("heron", 2)
        wait_log(site, "the journal cannot be written, so nothing may heat")
        site.owner.see("heron", lambda s: s["phase"] != "heating", "the end")
        second = heats_again(site)
        trace.end()
        judge(site, [first["heat_id"], second["heat_id"]])


def test_fault__sync_fails_for_good_stop_works_and_nothing_starts():
    with quick_site() as site:
        begin(site)
        first = heat_on(site)
        trace = Strace(site, threads(site.processes["gateway"].pid),
                       "fdatasync", "error=EIO:when=1+")
        at = boottime()
        make_record(site)
        site.sim.wait_off("heron", LEASE_S)
        print(f"off {boottime() - at:.2f} s after the first failed sync")
        end_of_heat(site, first, "journal-unavailable")
        for _ in range(3):
            nothing_starts(site)
            stop_works(site)
        # what could not be recorded is told over MQTT too
        wait(lambda: site.observer.notices("heron", "journal-unavailable"),
             "a notice")
        trace.end()
        second = heats_again(site)
        judge(site, [first["heat_id"], second["heat_id"]])


def test_fault__grant_that_cannot_be_synced_never_takes_effect():
    with quick_site() as site:
        begin(site)
        sign(site.owner)
        trace = Strace(site, threads(site.processes["gateway"].pid),
                       "fdatasync", "error=EIO:when=1+")
        nothing_starts(site)
        wait_log(site, "the journal cannot be written, so nothing may heat")
        nothing_starts(site)
        assert not [p for _, p in site.observer.permits("heron") if p["heat"]]
        trace.end()
        heats_again(site)
        site.kill("gateway", signal.SIGKILL)
        again(site)
        judge(site)


def on_tmpfs(site, options):
    """The state directory on a small file system of this test's own."""
    unshare(CLONE_NEWNS)
    run("mount", "-t", "tmpfs", "-o", "mode=0700," + options, "tmpfs",
        state_dir(site))


def fill(site):
    """Write until nothing more fits; returns the file's path."""
    path = os.path.join(state_dir(site), "ballast")
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT, 0o600)
    for size in (1 << 20, 4096, 1):
        try:
            while True:
                os.write(descriptor, b"x" * size)
        except OSError:
            pass
    os.close(descriptor)
    return path


def full(site, spoil, mend):
    """A file system that stops taking anything during a heat, and then takes
    it again."""
    begin(site)
    first = heat_on(site)
    undo = spoil(site)
    for _ in range(200):  # some room may be left in the last page
        if not site.sim.truth("heron")["truth_on"]:
            break
        make_record(site)
    site.sim.wait_off("heron", LEASE_S)
    end_of_heat(site, first, "journal-unavailable")
    nothing_starts(site)
    stop_works(site)
    wait_log(site, "the journal cannot be written, so nothing may heat")
    mend(undo)
    second = heats_again(site)
    judge(site, [first["heat_id"], second["heat_id"]])


def test_fault__full_disk_revokes_and_recovers_when_space_returns():
    with quick_site() as site:
        on_tmpfs(site, "size=1m")
        full(site, fill, os.unlink)
        assert log_has(site, "No space left on device")


def test_fault__read_only_disk_revokes_and_recovers():
    with quick_site() as site:
        calls = f"write,openat,ftruncate,fdatasync,fsync,{RENAMES}"

        def spoil(site):
            """As after an error of the file system: the kernel turns it
            read-only under files that are open. The helper threads do all
            the writing; their wake-ups of the loop get lost as well."""
            helpers = threads(site.processes["gateway"].pid)[1:]
            return Strace(site, helpers, calls, "error=EROFS:when=1+")

        full(site, spoil, Strace.end)
        assert log_has(site, "Read-only file system")


def test_fault__no_names_left_on_the_disk_heat_goes_on_and_is_saved_later():
    with quick_site() as site:
        on_tmpfs(site, "size=4m,nr_inodes=32")
        begin(site)
        first = heat_on(site)
        made = []
        try:
            for number in range(64):
                made.append(os.path.join(state_dir(site), f"n{number}"))
                os.close(os.open(made[-1], os.O_CREAT, 0o600))
        except OSError:
            made.pop()
        # the journal's file is there: heat may go on and end
        assert site.sim.truth("heron")["truth_on"]
        wait_log(site, "rooms.json")
        stop_works(site)
        site.sim.wait_off("heron", 2)
        second = heat_on(site)
        error = None
        try:
            site.owner.call("staff.issue", role="manager", rooms=["heron"])
        except RpcError as refused:
            error = refused
        assert error is not None and error.code == 1006, error
        assert site.owner.call("staff.list")["staff"] == []
        for path in made:
            os.unlink(path)
        issued = site.owner.call("staff.issue", role="manager",
                                 rooms=["heron"])
        assert len(site.owner.call("staff.list")["staff"]) == 1
        wait(lambda: second["heat_id"] in read(site, "rooms.json"),
             "rooms.json to be saved again", 30)
        assert site.client(issued["code"]).who["role"] == "manager"
        judge(site, [first["heat_id"], second["heat_id"]])


def read(site, name):
    path = os.path.join(state_dir(site), name)
    if not os.path.exists(path):
        return ""
    with open(path) as file:
        return file.read()


def test_fault__rooms_json_cannot_be_replaced_a_restart_knows_it_all():
    with quick_site() as site:
        begin(site)
        trace = Strace(site, threads(site.processes["gateway"].pid), RENAMES,
                       "error=EIO:when=1+")
        first = heat_on(site)
        site.owner.call("lockout.set", room="heron", lockout="locked-out",
                        note="not in rooms.json")
        site.sim.wait_off("heron", 2)
        wait_log(site, "rooms.json")
        assert first["heat_id"] not in read(site, "rooms.json")
        trace.end()
        site.kill("gateway", signal.SIGKILL)
        again(site)
        state = site.owner.call("room.state", room="heron")
        assert state["lockouts"] == ["locked-out"], state
        assert state["check"]["state"] != "valid", state
        site.owner.call("lockout.clear", room="heron", lockout="locked-out",
                        note="seen")
        assert site.owner.refused("heat.start", room="heron", target_c=80,
                                  duration_min=60).reasons == \
            {"check-missing"}
        judge(site, [first["heat_id"]])


def test_fault__credentials_cannot_be_replaced_the_old_ones_stay():
    with quick_site() as site:
        begin(site)
        old = site.owner.call("staff.issue", role="manager", rooms=["heron"])
        trace = Strace(site, threads(site.processes["gateway"].pid), RENAMES,
                       "error=EIO:when=1+")
        error = site.owner.refused("staff.issue", role="manager",
                                   rooms=["heron"])
        assert error.code == 1006 and error.message, error
        error = site.owner.refused("staff.revoke", id=old["id"])
        assert error.code == 1006, error
        assert [s["id"] for s in site.owner.call("staff.list")["staff"]] == \
            [old["id"]]
        assert site.client(old["code"]).who["role"] == "manager"
        trace.end()
        site.owner.call("staff.revoke", id=old["id"])
        assert site.client().refused("hello", code=old["code"]).code == 1002
        site.kill("gateway", signal.SIGKILL)
        again(site)
        assert site.client().refused("hello", code=old["code"]).code == 1002
        judge(site)


def test_fault__epoch_cannot_be_replaced_no_start_and_serials_still_rise():
    with quick_site() as site:
        begin(site)
        heat_on(site)
        site.kill("gateway")
        before = int(read(site, "epoch"))
        process = site.start_gateway(
            prefix=("strace", "-D", "-f", "-o", "/dev/null", "-e",
                    f"inject={RENAMES}:error=EIO:when=1"), ready=False)
        assert process.wait(20) == 1
        site.processes.pop("gateway")
        assert log_has(site, "epoch") and log_has(site, "Input/output error")
        assert int(read(site, "epoch")) >= before
        again(site)
        assert int(read(site, "epoch")) > before
        heat_on(site)
        judge(site)


def last_step_left(site):
    """A commissioning under way, as the service keeps it: all but finished.
    Its record is longer than what may be left free in the journal's page."""
    at = rfc3339(-5)
    photos = [{"sha256": f"{index:064x}", "label": "x" * 120, "bytes": 9,
               "type": "image/png"} for index in range(24)]
    steps = [{"step": step, "state": "passed", "fault": None, "at": at}
             for step in ("names", "placement", "door", "sensor", "heat",
                          "cut", "module", "photos")]
    steps[1]["agreed"], steps[2]["read"] = [], ["closed", "open", "closed"]
    folder = os.path.join(state_dir(site), "commission")
    os.mkdir(folder, 0o700)
    path = os.path.join(folder, "heron.json")
    with open(os.open(path, os.O_WRONLY | os.O_CREAT, 0o600), "w") as file:
        json.dump({"v": 1, "current": {
            "v": 1, "kind": "full", "by": "E. Lectrician", "role": "owner",
            "actor": "uid=0", "begun_at": at, "names": {}, "steps": steps,
            "photos": photos}, "done": None, "proof": None, "told": {}}, file)


def uncommissioned_site():
    site = quick_site()
    del site.config["rooms"]["heron"]["commissioning"]
    return site


def finish_in_vain(site):
    """The answer that is due when the journal is not written."""
    try:
        answer = site.owner.call("commission.finish", room="heron")
    except RpcError as error:
        assert error.message.startswith("It could not be recorded") or \
            "journal-unavailable" in error.reasons, error
    else:
        raise AssertionError(f"it was finished without a journal: {answer}")


def test_fault__commissioning_that_cannot_be_recorded_is_none():
    with uncommissioned_site() as site:
        on_tmpfs(site, "size=8m")
        last_step_left(site)
        begin(site)
        nothing_starts(site, "not-commissioned")
        ballast = fill(site)
        finish_in_vain(site)
        wait_log(site, "the journal cannot be written, so nothing may heat")
        nothing_starts(site)
        # killed there, it was never so, and the record is there to go on with
        site.kill("gateway", signal.SIGKILL)
        os.unlink(ballast)
        again(site)
        assert not site.journal(kind="commissioned")
        state = site.owner.call("commission.state", room="heron")
        assert not state["commissioned"] and state["done"] is None, state
        assert state["current"]["next"] is None, state
        nothing_starts(site, "not-commissioned")
        assert site.owner.call("commission.finish", room="heron")["n"] > 0
        assert site.owner.call("commission.state", room="heron")["commissioned"]
        heat_on(site)
        judge(site)


def test_fault__commissioning_is_finished_by_a_journal_that_comes_back():
    with uncommissioned_site() as site:
        last_step_left(site)
        begin(site)
        trace = Strace(site, threads(site.processes["gateway"].pid),
                       "fdatasync", "error=EIO:when=1+")
        finish_in_vain(site)
        nothing_starts(site)
        trace.end()
        wait_log(site, "the journal is written again")
        # what it says now holds over a sudden end
        told = site.owner.call("commission.state", room="heron")["commissioned"]
        site.kill("gateway", signal.SIGKILL)
        again(site)
        held = site.owner.call("commission.state", room="heron")["commissioned"]
        assert told == held == bool(site.journal(kind="commissioned")), \
            (told, held)
