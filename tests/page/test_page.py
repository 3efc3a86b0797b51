"""The page for phones in a real browser: the change-over day from a guest's
and a cleaner's phones, 360 px wide; the manager's views; the keyboard alone;
what leaves the phone and what does not."""
import os
import re
import subprocess
import time
import urllib.request

from harness import Site, TOP, rfc3339, wait
from phone import Browser, Phone

NETWORK = ("WebSocket connection to", "ERR_INTERNET_DISCONNECTED",
           "ERR_CONNECTION_REFUSED")


def guest_code(site, **more):
    return site.owner.call("guest.issue", rooms=["heron"], label="party",
                           **{"from": rfc3339(-60), "until": rfc3339(86400),
                              **more})["code"]


def staff_code(site, role):
    return site.owner.call("staff.issue", role=role, label=role,
                           rooms=["heron", "otter"])["code"]


def sign_check(site, phone):
    """Begin it on the phone, look in, agree one by one, sign."""
    phone.tap("#check button")
    phone.shows("#check .unseen, #check .seen")
    assert phone.do("eval", "document.querySelector('#check .go').disabled")
    site.sim.look_in("heron")
    phone.shows("#check .seen")
    boxes = phone.do("eval", "document.querySelectorAll("
                             "'#check input').length")
    for i in range(boxes):
        phone.do("check", f"#check .agree >> nth={i} >> input")
    phone.tap("#check .go")
    phone.says("Signed.", "#check")


def test_page__skeleton():
    with Site() as site:
        site.start(speed=10)
        browser = Browser(site)
        phone = Phone(browser, site)
        phone.do("goto", phone.url)
        phone.judge("sign-in")
        code = guest_code(site)
        phone.sign_in(code)
        phone.shows(".board")
        phone.judge("room")
        phone.tap("text=I have read this")
        sign_check(site, phone)
        phone.judge("signed")
        phone.tap("#start")
        phone.says("Heating", ".board")
        time.sleep(6)
        phone.judge("heating")
        phone.tap("#stop")
        phone.says("stopped at", "#said")
        phone.judge("stopped")
        phone.clean()
