"""Values that readers trip over: numbers at the edges, names that lead elsewhere, text that is not what it seems."""

from __future__ import annotations

from random import Random

NUMBERS = (
    "0", "-0", "1e308", "1e309", "-1e309", "1e-400", ".inf", "-.inf", ".nan", "NaN", "Infinity", "0x10", "0o7",
    "1_000", "9" * 18, "9" * 19, "9" * 400, "9" * 5000, "-1", "4294967296", "1e", "1.5.5", "1,5", "+1", "12:30",
    "\u0661", "\u00b2", "\uff11", "99999999999999999999 m", "1e99 m", "-1e99 m", "1e-99 s", "1e99 s", "1e99 deg",
    "360000000 deg", "99999 h", "nan m", "inf m", "0 m", "-0 m", "0 s", "0.0000001 s", "1e99 %", "-5 %", "\u0661 m",
    "1 m m", "1m/s", "1 M", "1 \u00b5s", "5 parsec", "1e308 m", "1" + "0" * 19 + " m", "." * 50 + " m", "1" * 200 + "x",
)  # fmt: skip

NAMES = (
    "", " ", ".", "..", "/", "//", "~", "/dev/zero", "/dev/stdin", "/dev/tty", "/proc/self/mem", "/proc/self/environ",
    "../" * 40 + "etc/passwd", "..\\..\\x", "a" * 255, "a" * 256, "a" * 5000, "a/" * 3000, "a" * 300 + ".yaml",
    "nul\u0000byte", "line\nbreak.yaml", "\u202egnp.yaml", "\ud800", "\ufffe", "\U0010ffff", "e\u0301" * 50, "\ufeff",
    "\u200b", "\x1b]0;owned\x07", "\x1b[2J", "\x7f", "\x85", "\u2028", "-rf", "--help", "$(id)", "`id`", "; id", "%s%n",
    "%99999999d", "{link}", "{link!r:>999999999}", "{0.__class__}", "{}", "{link", "*", "[", "palm80@", "@r1",
    "palm80@../r1", "palm80@" + "r" * 3000, "udp://", "udp://x:0", "udp://[::1]:99999", "udp://" + "h" * 400 + ":1",
    "serial:///dev/null?baud=0", "serial:///?baud=9" + "9" * 30, "pty:///etc/passwd", "tcp-listen://0.0.0.0:70000",
    "http://example.com/", "file:///etc/passwd", "<script>alert(1)</script>", "]]>", "'\"><", "null", "true", "Yes", "<<",
    "x'; DROP TABLE flight; --", "python", "./x.py", "../x.py", "seed 1", "seed x", "seed", "1", "leg_1", "\u0391ltitude",
)  # fmt: skip

FORMULAS = (
    "height < 3 m", "(" * 200 + "on_ground" + ")" * 200, "not " * 400 + "on_ground", "always " * 300 + "on_ground",
    "on_ground and " * 140 + "on_ground", "on_ground implies " * 110 + "on_ground", "height < 1e99 m",
    "eventually[0 s, 1e99 s] on_ground", "eventually[1e20 h, 1e20 h] on_ground", "eventually[5 s, 1 s] on_ground",
    "eventually[0.0000001 s, 1 s] on_ground", "height / 0 < 3 m", "height / 1e-99 < 3 m", "1e99 * height < 3 m",
    "height - height < 3 m", "0 * height < 1 m", "abs(height) < -3 m", "height < 0 m", "height < 0 m scale 0 m",
    "height < 3 m scale 1e-99 m", "at leg 99999999999999999999, on_ground", "leg \u0661", "leg 0", "mode is x",
    "mode is position-hold", "1 < 2", "height + 3 s < 1 m", "height <", "< 3 m", "", "height < 3 m and", "height == 3 m",
    "max(height)", "p95(abs(cross_track)) at leg 3", "p0(height)", "p99.9999(height)", "max(height) while " + "not " * 300,
    "max(" + "abs(" * 300 + "height" + ")" * 300 + ")", "max(" + "height + " * 200 + "height)", "max(height / 0 m)",
    "max(1e99 * 1e99 * 1e99 * 1e99 * height)", "max(hypot(height, 1 s))", "max(height) at leg 0", "\u0000", "x" * 3000,
    "height \u2264 3 m", "always height < 3 m" + " " * 1900, "hei" + "\u0301" * 500 + "ght < 3 m",
)  # fmt: skip


def word(chance: Random) -> str:
    """One of them, or something between two."""
    pool = chance.choice((NUMBERS, NAMES, FORMULAS))
    text = chance.choice(pool)
    if chance.random() < 0.15:
        other = chance.choice(chance.choice((NUMBERS, NAMES, FORMULAS)))
        cut = chance.randrange(len(text) + 1)
        text = text[:cut] + other + text[cut:]
    return text
