"""A plot of measured points with their fit, as an SVG file: both axes are
logarithmic, so that a power law is a straight line and its exponent is the
slope that one sees. Nothing but Python's standard library.
"""
import math
from html import escape

WIDTH, HEIGHT = 720, 440
LEFT, RIGHT, TOP, BOTTOM = 78, 24, 74, 56
# told apart by everybody, also without colour by their marks
COLOURS = ("#1f5fa8", "#b4481e")
INK, SOFT, GRID = "#1d2126", "#5b636d", "#e3e6ea"


def decades(low, high):
    """Powers of ten around the values; at least one whole decade."""
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    return first, max(last, first + 1)


def short(value):
    for size, mark in ((1e6, "M"), (1e3, "k")):
        if value >= size:
            return f"{value / size:g}{mark}"
    return f"{value:g}"


class Plot:
    def __init__(self, title, x_label, y_label):
        self.title, self.x_label, self.y_label = title, x_label, y_label
        self.series, self.limit = [], None

    def add(self, name, points, fit=None, fit_from=0):
        """points: [(x, y)]; fit: what has .at(x), drawn from fit_from on."""
        self.series.append((name, points, fit, fit_from))

    def mark(self, y, text):
        """A level that must not be passed."""
        self.limit = y, text

    def _frame(self):
        xs = [x for _, points, _, _ in self.series for x, _ in points]
        ys = [y for _, points, _, _ in self.series for _, y in points]
        if self.limit:
            ys.append(self.limit[0])
        self.x_range = decades(min(xs), max(xs))
        self.y_range = decades(min(ys), max(ys))

    def _x(self, value):
        low, high = self.x_range
        return LEFT + (math.log10(value) - low) / (high - low) * \
            (WIDTH - LEFT - RIGHT)

    def _y(self, value):
        low, high = self.y_range
        return HEIGHT - BOTTOM - (math.log10(value) - low) / (high - low) * \
            (HEIGHT - TOP - BOTTOM)

    @staticmethod
    def _text(x, y, text, anchor="start", colour=INK, size=13, extra=""):
        return (f'<text x="{x:.1f}" y="{y:.1f}" fill="{colour}" '
                f'font-size="{size}" text-anchor="{anchor}"{extra}>'
                f'{escape(text)}</text>')

    def _line(self, x1, y1, x2, y2, colour, width=1, dash=""):
        return (f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" '
                f'y2="{y2:.1f}" stroke="{colour}" stroke-width="{width}"'
                f'{dash}/>')

    def _axes(self):
        out = []
        for power in range(self.x_range[0], self.x_range[1] + 1):
            x = self._x(10 ** power)
            out.append(self._line(x, TOP, x, HEIGHT - BOTTOM, GRID))
            out.append(self._text(x, HEIGHT - BOTTOM + 20, short(10 ** power),
                                  "middle", SOFT))
        for power in range(self.y_range[0], self.y_range[1] + 1):
            y = self._y(10 ** power)
            out.append(self._line(LEFT, y, WIDTH - RIGHT, y, GRID))
            out.append(self._text(LEFT - 8, y + 4, short(10 ** power), "end",
                                  SOFT))
        middle = (TOP + HEIGHT - BOTTOM) / 2
        out.append(self._text((LEFT + WIDTH - RIGHT) / 2, HEIGHT - 12,
                              self.x_label, "middle", SOFT))
        out.append(self._text(20, middle, self.y_label, "middle", SOFT, 13,
                              f' transform="rotate(-90 20 {middle:.1f})"'))
        return out

    def _limit(self):
        if not self.limit:
            return []
        y = self._y(self.limit[0])
        return [self._line(LEFT, y, WIDTH - RIGHT, y, SOFT, 1.2,
                           ' stroke-dasharray="6 4"'),
                self._text(WIDTH - RIGHT - 4, y - 6, self.limit[1], "end",
                           SOFT, 12)]

    def _fit(self, points, fit, fit_from, colour):
        """The line, cut where it leaves the frame."""
        low = max(min(x for x, _ in points), fit_from)
        high = max(x for x, _ in points)
        steps = [low * (high / low) ** (i / 40) for i in range(41)]
        inside = [(x, fit.at(x)) for x in steps if fit.at(x) > 0 and
                  self.y_range[0] <= math.log10(fit.at(x)) <= self.y_range[1]]
        path = " ".join(f"{self._x(x):.1f},{self._y(y):.1f}"
                        for x, y in inside)
        return (f'<polyline points="{path}" fill="none" stroke="{colour}" '
                'stroke-width="1.6" opacity="0.55"/>')

    def _mark(self, x, y, index, colour):
        at_x, at_y = self._x(x), self._y(y)
        if index == 0:
            return (f'<circle cx="{at_x:.1f}" cy="{at_y:.1f}" r="4.5" '
                    f'fill="{colour}"/>')
        return (f'<rect x="{at_x - 4:.1f}" y="{at_y - 4:.1f}" width="8" '
                f'height="8" fill="{colour}"/>')

    def text(self):
        self._frame()
        out = [f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" '
               f'height="{HEIGHT}" viewBox="0 0 {WIDTH} {HEIGHT}" '
               'font-family="sans-serif" role="img">',
               f'<title>{escape(self.title)}</title>',
               f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#ffffff"/>',
               self._text(LEFT, 26, self.title, size=16,
                          extra=' font-weight="600"')]
        out += self._axes() + self._limit()
        at = LEFT
        for index, (name, points, fit, fit_from) in enumerate(self.series):
            colour = COLOURS[index]
            if fit:
                out.append(self._fit(points, fit, fit_from, colour))
            out += [self._mark(x, y, index, colour) for x, y in points]
            out.append(f'<rect x="{at}" y="43" width="10" height="10" '
                       f'rx="{5 if index == 0 else 0}" fill="{colour}"/>')
            out.append(self._text(at + 16, 53, name, size=12))
            at += 30 + 7 * len(name)
        return "\n".join(out + ["</svg>"]) + "\n"

    def write(self, path):
        with open(path, "w", encoding="utf-8") as file:
            file.write(self.text())
