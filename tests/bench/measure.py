"""What the long measurements share: readings of a process from /proc, and
least-squares fits with their intervals, on Python's standard library alone.

Formulas: ordinary least squares with the standard error of its slope, as in
any textbook; a power law y = a x^k is the line of the logarithms.
"""
import math
import os


# -- a process ---------------------------------------------------------------

def cpu_s(pid):
    """Seconds of processor time of all threads that live."""
    total = 0
    for tid in os.listdir(f"/proc/{pid}/task"):
        try:
            with open(f"/proc/{pid}/task/{tid}/schedstat") as file:
                total += int(file.read().split()[0])
        except FileNotFoundError:
            pass  # a thread that has just ended
    return total / 1e9


def rss_kib(pid):
    with open(f"/proc/{pid}/status") as file:
        for line in file:
            if line.startswith("VmRSS:"):
                return int(line.split()[1])
    raise ProcessLookupError(pid)


def descriptors(pid):
    return len(os.listdir(f"/proc/{pid}/fd"))


def threads(pid):
    return len(os.listdir(f"/proc/{pid}/task"))


# -- fits --------------------------------------------------------------------

# Student's t, two-sided 95 %, by degrees of freedom: any statistical table
T95 = (12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228,
       2.201, 2.179, 2.160, 2.145, 2.131, 2.120, 2.110, 2.101, 2.093, 2.086,
       2.080, 2.074, 2.069, 2.064, 2.060, 2.056, 2.052, 2.048, 2.045, 2.042)


class Line:
    """y = base + slope x, and how sure that is: slope ± spread (95 %)."""

    def __init__(self, points):
        count = len(points)
        if count < 3:
            raise ValueError("a fit with an interval needs three points")
        mean_x = sum(x for x, _ in points) / count
        mean_y = sum(y for _, y in points) / count
        square = sum((x - mean_x) ** 2 for x, _ in points)
        if square == 0:
            raise ValueError("all points stand at the same place")
        self.slope = sum((x - mean_x) * (y - mean_y)
                         for x, y in points) / square
        self.base = mean_y - self.slope * mean_x
        left = sum((y - self.at(x)) ** 2 for x, y in points)
        t = T95[count - 3] if count - 3 < len(T95) else 1.96
        self.spread = t * math.sqrt(left / (count - 2) / square)
        self.residual = math.sqrt(left / count)

    def at(self, x):
        return self.base + self.slope * x

    @property
    def low(self):
        return self.slope - self.spread

    @property
    def high(self):
        return self.slope + self.spread


class Power:
    """y = factor x^exponent, of points that are all above 0."""

    def __init__(self, points):
        self.line = Line([(math.log(x), math.log(y)) for x, y in points])
        self.exponent, self.spread = self.line.slope, self.line.spread
        self.low, self.high = self.line.low, self.line.high
        self.factor = math.exp(self.line.base)

    def at(self, x):
        return self.factor * x ** self.exponent


def percentile(values, part):
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(len(ordered) * part))]
