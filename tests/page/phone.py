"""Phones in a real browser: the Python end of browser.js."""
import json
import os
import subprocess

from harness import InVain, wait

HERE = os.path.dirname(os.path.abspath(__file__))
PICTURES = os.path.join(os.environ.get("HG_BUILD_DIR", os.path.join(
    os.path.dirname(os.path.dirname(HERE)), "build")), "pictures")


class Browser:
    """One chromium; ends with the site whose closers it joins."""

    def __init__(self, site):
        self.process = subprocess.Popen(
            ["node", os.path.join(HERE, "browser.js")],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self.count = 0
        self.phones = []
        site.closers.append(self.close)
        os.makedirs(PICTURES, exist_ok=True)

    def do(self, phone, op, *args):
        self.process.stdin.write(json.dumps(
            {"phone": phone, "op": op, "args": args}) + "\n")
        self.process.stdin.flush()
        line = self.process.stdout.readline()
        assert line, "the browser has ended"
        answer = json.loads(line)
        if "error" in answer:
            kind = InVain if "Timeout" in answer["error"] else AssertionError
            raise kind(f"{op} {args}: {answer['error']}")
        return answer.get("result")

    def close(self):
        self.process.stdin.close()
        self.process.wait(20)


class Phone:
    """A phone with the page in its browser."""

    def __init__(self, browser, site, **options):
        browser.count += 1
        self.browser, self.name = browser, browser.count
        self.url = f"http://127.0.0.1:{site.port}/"
        self.do("open", options)
        browser.phones.append(self)

    def do(self, op, *args):
        return self.browser.do(self.name, op, *args)

    def tap(self, selector):
        self.do("tap", selector)

    def text(self, selector="body"):
        return self.do("text", selector)

    def shows(self, selector, state="visible"):
        try:
            self.do("wait", selector, state)
        except InVain as vain:
            raise InVain(f"{vain}; the page says: {self.text()}") from vain

    def says(self, words, selector="body", seconds=20):
        return wait(lambda: words in self.text(selector) and
                    self.text(selector),
                    lambda: f"{words!r}; the page says: "
                            f"{self.text(selector)}", seconds, 0.1)

    def sign_in(self, code):
        self.do("goto", self.url)
        self.do("fill", "main input", code)
        self.tap("main .go")
        self.shows("#out")

    def judge(self, name):
        """No violation in the light nor in the dark; a picture of each."""
        self.do("eval", "scrollTo(0, 0)")
        for scheme in ("light", "dark"):
            self.do("scheme", scheme)
            found = self.do("axe", scheme == "dark")
            assert not found, f"{name}, {scheme}: {json.dumps(found)}"
            self.do("picture", os.path.join(PICTURES,
                                            f"{name}-{scheme}.png"), True)
        self.do("scheme", "light")
        wide = self.do("eval", "document.documentElement.scrollWidth")
        assert wide <= 360, f"{name} is {wide} wide"

    def clean(self, allowed=()):
        """No complaint of the browser, save the network's own."""
        errors = [e for e in self.do("errors")
                  if not any(a in e for a in allowed)]
        assert not errors, errors
