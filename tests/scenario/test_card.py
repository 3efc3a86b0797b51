"""Cards for guests: made with the code, read back by another's QR reader."""
import json
import os
import re
import stat
import subprocess

from harness import Site
from test_import import calendar, cli, day, night, site_of

URL = "https://sauna.example:8443"


def run(site, *args):
    return json.loads(cli(site, *args, "--json"))


def decode(rows):
    """What zbarimg (Debian zbar-tools) reads in rows of 0 and 1 (dark)."""
    scale = 4
    lines = [" ".join(("0" if dark else "255") for dark in row
                      for _ in range(scale)) for row in rows]
    image = f"P2 {len(rows[0]) * scale} {len(rows) * scale} 255\n" + \
        "\n".join(line for line in lines for _ in range(scale)) + "\n"
    done = subprocess.run(["zbarimg", "--raw", "-q", "-Sdisable",
                           "-Sqrcode.enable", "pgm:-"], input=image, text=True,
                          stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                          timeout=60)
    assert done.returncode == 0, (done.returncode, done.stderr)
    return done.stdout.strip()


def modules_of_page(page):
    side = int(re.search(r'class="qr".*?viewBox="0 0 (\d+)', page)[1])
    rows = [[0] * side for _ in range(side)]
    for x, y, width in re.findall(r"M(\d+) (\d+)h(\d+)v1h-\d+z", page):
        for i in range(int(width)):
            rows[int(y)][int(x) + i] = 1
    return rows


def modules_of_text(text):
    rows = []
    for line in text.splitlines():
        if line and not line.strip(" \u2580\u2584\u2588") and len(line) > 20:
            rows.append([int(c in "\u2580\u2588") for c in line])
            rows.append([int(c in "\u2584\u2588") for c in line])
    return rows


def read(path):
    assert stat.S_IMODE(os.stat(path).st_mode) == 0o600, path
    with open(path) as file:
        return file.read()


def test_card__is_made_with_the_code_and_can_be_scanned():
    with Site(timezone="Europe/Helsinki", public_url=URL) as site:
        site.start(sim_rooms=())
        path = os.path.join(site.dir, "card.html")
        stay = f"{day(1)}T15:00/{day(4)}T11:00"
        made = run(site, "guest", "issue", "--room", "heron", "--room",
                   "otter", "--stay", stay, "--card", path, "--label",
                   "Maria Invented")
        assert made["card"] == path
        page = read(path)
        link = f"{URL}/#code={made['code']}"
        assert decode(modules_of_page(page)) == link
        assert made["code"] in page and URL in page and made["id"] in page
        assert f"{day(1):%A %-d %B %Y}, 15:00" in page
        assert f"{day(4):%A %-d %B %Y}, 11:00" in page
        assert "Maria" not in page and "<script" not in page
        assert "http" not in page.replace(URL, "").replace(
            "http://www.w3.org/2000/svg", "").replace("http-equiv", "")

        # nothing is overwritten, and then no code is made either
        before = len(site.owner.call("guest.list")["guests"])
        said = cli(site, "guest", "rotate", "--room", "heron", "--stay", stay,
                   "--card", path, status=1)
        assert "there already" in said and "no code was made" in said, said
        cli(site, "guest", "issue", "--room", "heron", "--stay", stay,
            "--card", os.path.join(site.dir, "none", "card.html"), status=1)
        cli(site, "guest", "issue", "--room", "heron", "--stay", stay,
            "--card", "-", "--address", "http://sauna.example", status=2)
        assert read(path) == page
        assert len(site.owner.call("guest.list")["guests"]) == before

        # the code at hand, typed in lower case: text for a terminal, a page
        again = os.path.join(site.dir, "again.html")
        typed = made["code"].lower().replace("-", "")
        text = cli(site, "guest", "card", "heron", "--code", typed)
        assert decode(modules_of_text(text)) == f"{URL}/#code={typed}"
        cli(site, "guest", "card", "heron", "--code", made["code"], "--out",
            again, "--address", "https://[2001:db8::1]/sauna/")
        assert decode(modules_of_page(read(again))) == \
            f"https://[2001:db8::1]/sauna/#code={made['code']}"
        wrong = made["code"][:6] + made["code"][7:] + "0"
        for code in (wrong, "7K2QF"):
            cli(site, "guest", "card", "heron", "--code", code, status=1)
        cli(site, "guest", "revoke", made["id"])
        cli(site, "guest", "card", "heron", "--code", made["code"], status=1)
        site.verify()


def test_card__each_new_stay_of_a_calendar_gets_one():
    with site_of() as site:
        site.start(sim_rooms=())
        cards = os.path.join(site.dir, "cards")
        path = calendar(site, night("a", 3, 5), night("b", 7, 9))
        # without an address or a folder nothing is imported
        cli(site, "guest", "import", path, "--room", "heron", "--cards",
            cards, "--address", URL, status=1)
        os.mkdir(cards, 0o700)
        cli(site, "guest", "import", path, "--room", "heron", "--cards",
            cards, status=2)
        assert site.owner.call("guest.list")["guests"] == []

        stays = run(site, "guest", "import", path, "--room", "heron",
                    "--cards", cards, "--address", URL)["stays"]
        for stay, first in zip(stays, (3, 7)):
            assert stay["card"] == os.path.join(
                cards, f"heron-{day(first)}-{stay['id']}.html"), stay
            assert decode(modules_of_page(read(stay["card"]))) == \
                f"{URL}/#code={stay['code']}"
        again = run(site, "guest", "import", path, "--room", "heron",
                    "--cards", cards, "--address", URL)["stays"]
        assert not any("card" in stay for stay in again)
        assert len(os.listdir(cards)) == 2


def test_card__a_room_has_hours_of_its_own():
    with site_of(rooms={"heron": Site.room(check_in="18:30"),
                        "otter": Site.room(check_out="09:15")}) as site:
        site.start(sim_rooms=())
        path = calendar(site, night("a", 3, 5))
        for room, first, last in (("heron", "18:30", "10:00"),
                                  ("otter", "16:00", "09:15")):
            text = cli(site, "guest", "import", path, "--room", room)
            assert f"{day(3)} {first}" in text, text
            assert f"{day(5)} {last}" in text, text
