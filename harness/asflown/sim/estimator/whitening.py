"""Whitening of five measurements: from the covariance S of their innovations to W with W S W' = 1.

W is the inverse of the Cholesky factor of S, lower triangular. Plain floats without loops: for five measurements a
library's inverse costs three times as much, most of it in its wrapping. An infinite variance on the diagonal gives
a row and a column of zeros: that measurement counts for nothing.
"""

from __future__ import annotations

from math import sqrt

LOWER = [5 * row + column for row in range(5) for column in range(row + 1)]
"""Where the lower triangle's numbers, row by row, stand in a 5 x 5 array laid out row by row."""


def whitening(s: list[float], variances: list[float]) -> list[float]:
    """The lower triangle of W, row by row, for the 25 numbers of S without the measurements' own variances.

    Raises ZeroDivisionError or ValueError when S with `variances` on its diagonal is not positive.
    """
    v0, v1, v2, v3, v4 = variances
    w00 = 1.0 / sqrt(s[0] + v0)
    l10, l20, l30, l40 = w00 * s[5], w00 * s[10], w00 * s[15], w00 * s[20]
    w11 = 1.0 / sqrt(s[6] + v1 - l10 * l10)
    l21 = w11 * (s[11] - l20 * l10)
    l31 = w11 * (s[16] - l30 * l10)
    l41 = w11 * (s[21] - l40 * l10)
    w22 = 1.0 / sqrt(s[12] + v2 - l20 * l20 - l21 * l21)
    l32 = w22 * (s[17] - l30 * l20 - l31 * l21)
    l42 = w22 * (s[22] - l40 * l20 - l41 * l21)
    w33 = 1.0 / sqrt(s[18] + v3 - l30 * l30 - l31 * l31 - l32 * l32)
    l43 = w33 * (s[23] - l40 * l30 - l41 * l31 - l42 * l32)
    w44 = 1.0 / sqrt(s[24] + v4 - l40 * l40 - l41 * l41 - l42 * l42 - l43 * l43)
    w10 = -w11 * l10 * w00
    w20 = -w22 * (l20 * w00 + l21 * w10)
    w21 = -w22 * l21 * w11
    w30 = -w33 * (l30 * w00 + l31 * w10 + l32 * w20)
    w31 = -w33 * (l31 * w11 + l32 * w21)
    w32 = -w33 * l32 * w22
    w40 = -w44 * (l40 * w00 + l41 * w10 + l42 * w20 + l43 * w30)
    w41 = -w44 * (l41 * w11 + l42 * w21 + l43 * w31)
    w42 = -w44 * (l42 * w22 + l43 * w32)
    w43 = -w44 * l43 * w33
    return [w00, w10, w11, w20, w21, w22, w30, w31, w32, w33, w40, w41, w42, w43, w44]


def whitened(w: list[float], innovations: list[float]) -> list[float]:
    """W times the innovations: independent, of variance 1 when the filter is right."""
    a, b, c, d, e = innovations
    return [
        w[0] * a,
        w[1] * a + w[2] * b,
        w[3] * a + w[4] * b + w[5] * c,
        w[6] * a + w[7] * b + w[8] * c + w[9] * d,
        w[10] * a + w[11] * b + w[12] * c + w[13] * d + w[14] * e,
    ]
