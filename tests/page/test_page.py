"""The page for phones in a real browser: the change-over day from a guest's
and a cleaner's phones, 360 px wide; the manager's views; the keyboard alone;
a connection that comes and goes; what leaves the phone and what does not."""
import os
import re
import signal
import time
import urllib.request
import zlib

from harness import SLOW, RpcError, Site, rfc3339, wait
from peers import http, tls_context
from phone import Browser, Phone
from test_tls import tls_site

NETWORK = ("WebSocket connection to", "ERR_CONNECTION_REFUSED",
           "ERR_CONNECTION_RESET")
LIVE = ".board:not(.old)"


def guest_code(site, until_s=86400, **more):
    return site.owner.call(
        "guest.issue", rooms=more.pop("rooms", ["heron"]),
        label=more.pop("label", "party"),
        **{"from": rfc3339(-60), "until": rfc3339(until_s)}, **more)["code"]


def staff_code(site, role):
    return site.owner.call("staff.issue", role=role, label=role,
                           rooms=["heron", "otter"])["code"]


def look_in(site):
    """And wait until the gateway has seen the door shut again."""
    site.owner.see("heron", lambda s: s["door"] == "closed", "a shut door")
    site.sim.look_in("heron")
    site.owner.see("heron", lambda s: s["door"] == "open", "the door open")
    site.owner.see("heron", lambda s: s["door"] == "closed", "and shut")


def sign_check(site, phone):
    """Begin it on the phone, look in, agree one by one, sign."""
    phone.tap("#check button")
    phone.shows("#check .agree")
    assert phone.do("eval", "document.querySelector('#check .go').disabled")
    look_in(site)
    phone.shows("#check .seen")
    count = phone.do("eval",
                     "document.querySelectorAll('#check .agree').length")
    for i in range(count):
        assert phone.do("eval",
                        "document.querySelector('#check .go').disabled")
        phone.do("check", f"#check .agree >> nth={i} >> input")
    phone.tap("#check .go")
    phone.says("Signed.", "#check")


def start(phone):
    """With everything in order."""
    phone.shows("#start:enabled")
    phone.tap("#start")
    phone.says("Heating", ".board")


def revokes_after(site, before):
    return [p for at, p in site.observer.permits("heron")
            if at > before and p["heat"] is False]


def test_page__day_from_two_phones():
    rooms = {"heron": Site.room(door_hold_max_s=6)}
    with Site(rooms=rooms) as site:
        site.start(speed=10, sim_rooms=["heron"])
        sim, owner, browser = site.sim, site.owner, Browser(site)
        cleaner, guest = Phone(browser, site), Phone(browser, site)
        old = owner.call("guest.issue", rooms=["heron"], label="old",
                         **{"from": rfc3339(-9), "until": rfc3339(9999)})
        guest.sign_in(old["code"])
        guest.shows(LIVE)
        guest.says("Nobody has signed a room check")
        guest.judge("guest-missing")

        # 1, 2: the cleaner looks in and signs; may not heat
        cleaner.sign_in(owner.call("staff.issue", role="caretaker",
                                   rooms=["heron"])["code"])
        cleaner.tap("#check button")
        cleaner.shows("#check .unseen")
        cleaner.judge("check-open")
        cleaner.tap("#check form > button:last-child")
        sign_check(site, cleaner)
        assert cleaner.do("eval", "!document.querySelector('#start')")
        guest.says("until", ".board dl")

        # 3: the old code ends, the new guests come by a link
        new = owner.call("guest.rotate", rooms=["heron"], label="new",
                         **{"from": rfc3339(-9), "until": rfc3339(9999)})
        guest.says("Your access has ended.")
        guest.do("goto", guest.url + "#code=" + new["code"])
        guest.shows(LIVE)
        assert new["code"] not in guest.do("eval", "location.href")
        assert guest.do("eval", "document.querySelector('#start').disabled")
        guest.says("Read the cautions above first.")
        guest.tap("text=I have read this")

        # 4: the wind; the plan says so at once
        ready = time.strftime("%H:%M", time.gmtime(time.time() + 4 * 3600))
        guest.do("fill", "input[type=time]", ready)
        guest.tap("#plan")
        guest.shows(".plan h2")
        assert owner.rooms["heron"]["plan"]["at_risk"] == []
        sim.do("heron door open for 1s")
        guest.says("As things are it would not start", ".plan")
        guest.says("void", ".board dl")
        guest.judge("plan-at-risk")

        # 5: the cleaner signs again
        sign_check(site, cleaner)
        guest.shows(".plan:not(:has(.reasons))")
        guest.tap("text=Remove the plan")
        guest.shows(".plan h2", "detached")

        # 6: heat, with its plot and the forecast's band
        start(guest)
        sim.wait_on("heron")
        guest.shows(".plot .band", "attached")
        warm = sim.truth("heron")["air_true_c"] + 1
        wait(lambda: sim.truth("heron")["air_true_c"] > warm, "warmer", 30)
        guest.judge("heating")

        # 7: the server reboots: said within 5 s, nothing old looks live
        site.kill("gateway", signal.SIGKILL)
        began = time.monotonic()
        guest.says("No connection.", "#link")
        assert time.monotonic() - began < 5, time.monotonic() - began
        guest.shows(".board.old")
        guest.judge("lost")
        site.sim.wait_off("heron")
        site.start_gateway()
        owner = site.owner = site.admin()
        owner.watch("heron")
        guest.shows(LIVE)
        guest.says("The gateway was restarted")
        guest.says("Nobody has signed a room check")
        assert guest.do("eval", "document.querySelector('#start').disabled")

        # the broker is pulled once
        site.kill("broker")
        guest.says("The gateway has lost its message broker.")
        guest.shows(".board.old")
        guest.judge("broker-down")
        site.start_broker()
        site.observer = site.observe()
        guest.shows(LIVE)

        # the cleaner looks in once more; the guests start again
        cleaner.shows(LIVE)
        sign_check(site, cleaner)
        start(guest)
        sim.wait_on("heron")

        # 8, 9: the guests walk in, later leave the door ajar
        sim.do("heron door open for 2s")
        guest.says("Held, door open", ".board")
        guest.says("Heating", ".board")
        sim.do("heron door open")
        guest.says("The door stayed open too long.")
        sim.do("heron door close")

        # 10: a guest of an earlier stay tries the old code
        stranger = Phone(browser, site)
        stranger.do("goto", stranger.url)
        stranger.do("fill", "main input", old["code"])
        stranger.tap("main .go")
        stranger.says("This code is not valid.")
        for phone in browser.phones:
            phone.clean(NETWORK)


def test_page__one_tap_stops():
    with Site() as site:
        site.start(speed=10)
        phone = Phone(Browser(site), site)
        phone.sign_in(guest_code(site))
        phone.tap("text=I have read this")
        site.check(site.owner, "heron")
        start(phone)
        site.sim.wait_on("heron")
        begun = site.observer.permits("heron")[-1][0]
        box = phone.do("eval", "(r => [r.top, r.bottom, r.width, r.height])"
                               "(document.querySelector('#stop')"
                               ".getBoundingClientRect())")
        assert 370 < box[0] and box[1] <= 740, "in a thumb's reach"
        assert box[2] > 300 and box[3] >= 48, "large"
        phone.tap("#stop")
        phone.says("stopped at", "#said")
        wait(lambda: revokes_after(site, begun), "heat:false in the broker")
        site.sim.wait_off("heron")
        phone.judge("stopped")
        phone.clean()


def test_page__says_when_the_gateway_is_not_heard():
    with Site() as site:
        site.start(speed=10)
        phone = Phone(Browser(site), site)
        phone.sign_in(guest_code(site))
        phone.shows(LIVE)
        phone.tap("text=I have read this")
        site.check(site.owner, "heron")
        phone.shows("#start:enabled")

        # silence: the wire is there, nobody answers
        os.kill(site.processes["gateway"].pid, signal.SIGSTOP)
        began = time.monotonic()
        phone.says("No answer from the gateway.", "#link")
        assert time.monotonic() - began < 5, time.monotonic() - began
        phone.shows(".board.old")
        phone.shows("#start:disabled")
        phone.tap("#stop")
        phone.says("NO ANSWER", "#said")
        phone.judge("stop-unsure")
        os.kill(site.processes["gateway"].pid, signal.SIGCONT)
        phone.shows(LIVE)
        phone.shows("#link:empty", "attached")

        # no connection: the stop says that it was not sent
        site.kill("gateway", signal.SIGKILL)
        phone.says("Trying again", "#link")
        phone.tap("#stop")
        phone.says("NOT SENT", "#said")
        phone.says("switch the heater off at its own controller", "#said")
        phone.judge("stop-offline")
        first = wait(lambda: re.search(r"(\d+) s old", phone.text("#link")),
                     "an age")[1]
        assert int(first) < 60
        site.start_gateway()
        phone.shows(LIVE)
        phone.clean(NETWORK)


def walk_to(phone, selector):
    """Tab on until that has the focus."""
    for _ in range(60):
        phone.do("press", "Tab")
        if phone.do("eval", f"document.activeElement.matches({selector!r})"):
            return
    raise AssertionError(f"the Tab key does not reach {selector}")


def test_page__works_with_the_keyboard_alone():
    with Site() as site:
        site.start(speed=10)
        phone = Phone(Browser(site), site)
        phone.do("goto", phone.url)
        phone.shows("main input")
        phone.do("type", guest_code(site))
        phone.do("press", "Enter")
        phone.shows(LIVE)
        assert phone.do("eval", "document.activeElement.tagName") == "H1"
        walk_to(phone, ".care .go")
        phone.do("press", "Enter")
        walk_to(phone, "#check button")
        phone.do("press", "Enter")
        phone.shows("#check .agree")
        look_in(site)
        phone.shows("#check .seen")
        for i in range(4):
            if i:
                phone.do("press", "Tab")
            phone.do("press", "Space")
        walk_to(phone, "#check .go")
        phone.do("press", "Enter")
        phone.says("Signed.", "#check")
        phone.shows("#start:enabled")
        walk_to(phone, "#start")
        phone.do("press", "Enter")
        phone.says("Heating", ".board")
        walk_to(phone, "#stop")
        outline = phone.do("eval", "getComputedStyle(document.activeElement)"
                                   ".outlineStyle")
        assert outline == "solid", "the focus can be seen"
        phone.do("press", "Enter")
        phone.says("stopped at", "#said")
        phone.clean()


def test_page__gives_a_manager_all_rooms_codes_and_records():
    with Site(price_per_kwh=0.3, currency="EUR") as site:
        site.start(speed=10)
        code = staff_code(site, "manager")
        site.check(site.owner, "heron")
        site.heat(site.owner, "heron")
        site.sim.wait_on("heron")
        phone = Phone(Browser(site), site)
        phone.sign_in(code)
        phone.shows(".rooms tbody tr:nth-child(2)")
        phone.says("Heating", ".rooms")
        phone.judge("rooms")

        # a room, a lock with a note, and its clearing
        phone.tap("text=Otter cabin")
        phone.shows(".board")
        phone.tap(".staff summary")
        phone.do("fill", ".staff input", "the guard is loose")
        phone.tap(".staff form button")
        phone.says("Locked", ".board")
        phone.judge("locked")
        phone.do("fill", ".staff form:first-child input", "it is tight")
        phone.tap(".staff form:first-child button")
        phone.says("Off", ".board")
        assert site.journal(kind="lockout-cleared")[0]["note"] == \
            "it is tight"

        # codes: issue, rotate, revoke
        phone.tap("nav >> text=Codes")
        phone.do("choose", "main select", "heron")
        phone.do("fill", "main input[maxlength='80']", "<b>party</b>")
        phone.tap("main .go")
        phone.shows("output.code")
        first = phone.text("output.code")
        assert phone.text("output.url").endswith("/#code=" + first)
        phone.says("<b>party</b>", ".rows")
        phone.judge("codes")
        assert site.client(first).who["rooms"] == ["heron"]
        phone.tap("text=Rotate")
        phone.tap("text=Really?")
        phone.says("ended", ".rows")
        phone.shows(f"output.code:not(:text('{first}'))")
        second = phone.text("output.code")
        phone.tap(".rows button")
        phone.tap(".rows >> text=Really?")
        phone.says("Revoked:")
        for dead in (first, second):
            try:
                site.client(dead)
                raise AssertionError("a dead code lets in")
            except RpcError as error:
                assert error.code == 1002, error

        # the journal, stop of all that heats, reports
        phone.tap("nav >> text=Journal")
        phone.says("lockout cleared", ".rows")
        phone.judge("journal")
        phone.tap("#stop")
        phone.says("stopped at", "#said")
        site.sim.wait_off("heron")
        wait(lambda: site.journal(kind="heat-ended"), "the record")
        phone.tap("nav >> text=Reports")
        phone.tap("main .go")
        phone.shows(".heats tbody tr")
        phone.says("EUR")
        phone.tap(".heats tbody button")
        phone.judge("reports")

        # the other language, at once and everywhere
        phone.tap("#lang")
        phone.says("Energie und Heizzeiten")
        for tab, name in (("Räume", "rooms"), ("Codes", "codes"),
                          ("Protokoll", "journal")):
            phone.tap(f"nav >> text={tab}")
            phone.says(tab, "nav [aria-current]")
            phone.judge(name + "-de")
        phone.tap("nav >> text=Räume")
        phone.tap("text=Heron cabin")
        phone.says("Vor dem Start")
        phone.judge("room-de")
        assert phone.do("eval", "document.documentElement.lang") == "de"
        phone.clean()


def test_page__a_room_that_was_taken_away_does_not_look_live():
    with Site() as site:
        site.start(speed=10)
        phone = Phone(Browser(site), site)
        phone.sign_in(staff_code(site, "manager"))
        phone.tap("text=Otter cabin")
        phone.shows(LIVE)
        del site.config["rooms"]["otter"]
        site.write_config()
        os.kill(site.processes["gateway"].pid, signal.SIGHUP)
        phone.shows(".board.old")
        phone.says("OLD: last reading", ".age")
        site.kill("gateway", signal.SIGKILL)
        site.start_gateway()
        phone.shows(".rooms tbody tr")
        assert "Otter" not in phone.text(".rooms")
        phone.clean(NETWORK)


def test_page__keeps_the_code_to_itself():
    with Site() as site:
        site.start()
        code = guest_code(site, rooms=["heron", "otter"])
        phone = Phone(Browser(site), site)
        phone.do("goto", phone.url + "#code=" + code)
        phone.shows(".rooms tr")
        phone.judge("guest-two-rooms")
        assert phone.do("eval", "location.href") == phone.url
        assert phone.do("eval", "history.length") <= 2
        kept = phone.do("eval", "JSON.stringify([{...localStorage}, "
                                "{...sessionStorage}, document.cookie])")
        assert code not in kept and "hgs_" in kept, kept
        local = phone.do("eval", "JSON.stringify({...localStorage})")
        assert "hgs_" not in local, local
        phone.do("reload")
        phone.shows(".rooms tr")  # by the token of this tab
        asked = phone.do("asked")
        assert asked and not any(code in url for url in asked), asked
        assert all(re.match(r"(http|ws)://127\.0\.0\.1:%d/" % site.port, url)
                   for url in asked), asked
        with open(os.path.join(site.dir, "gateway.log")) as log:
            assert code not in log.read()
        phone.tap("#out")
        phone.says("You are signed out.")
        assert phone.do("eval", "sessionStorage.length") == 0
        phone.do("reload")
        phone.shows("main input")
        phone.do("fill", "main input", "not a code")
        phone.tap("main .go")
        phone.says("This code is not valid.")
        phone.judge("sign-in")
        phone.clean()


def test_page__can_be_switched_off():
    with Site(page=False) as site:
        site.start_broker()
        site.start_gateway()
        for path in ("/", "/page.js", "/page.css", "/en.json"):
            assert http(site, path)[0] == 404, path
        site.kill("gateway")
        site.config["page"] = True
        site.start_gateway()
        for path in ("/", "/page.js", "/page.css", "/en.json", "/de.json"):
            status, headers, body = http(site, path)
            policy = headers["Content-Security-Policy"]
            assert status == 200 and body, path
            assert "default-src 'none'" in policy and "unsafe" not in policy
        assert http(site, "/index.html")[0] == 404


def test_page__loads_over_tls_with_one_bar_of_signal():
    with tls_site() as site:
        site.start(sim_rooms=None)
        trust = tls_context(site.certificates.ca)
        phone = Phone(Browser(site), site, ignoreHTTPSErrors=True)
        phone.url = f"https://127.0.0.1:{site.port}/"
        phone.do("slow", 50, 400)  # kbit/s, ms: a guest at the lake
        began = time.monotonic()
        phone.do("goto", phone.url)
        phone.shows("main input")
        took = time.monotonic() - began
        print(f"to be read after {took:.1f} s")
        assert took < 12 * SLOW, took
        phone.sign_in(guest_code(site))
        phone.says("no reading yet", ".age")
        phone.shows("#start:disabled")
        sent = 0
        for path in ("/", "/page.js", "/page.css", "/de.json", "/page.svg"):
            request = urllib.request.Request(
                phone.url + path[1:], headers={"Accept-Encoding": "gzip"})
            with urllib.request.urlopen(request, context=trust) as answer:
                body = answer.read()
            assert answer.headers["Content-Encoding"] == "gzip"
            assert zlib.decompress(body, 31).decode() == \
                http(site, path, scheme="https", context=trust)[2]
            sent += len(body)
        assert sent < 24 << 10, sent
        phone.clean()
