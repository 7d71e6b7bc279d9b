"""Several flights in one capture: each arming that led into the air, with a track of its own.

A flight lasts from the disarming before it, or the beginning of the capture, to the next arming: standing on the
ground between two flights belongs to both. It is anchored at its
own arming; its times stay those of the capture.
"""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np

from asflown.frames import FloatArray
from asflown.record.estimate import anchors_of
from asflown.record.series import Series, Track, motion_signals


def flights_in(track: Track) -> tuple[Track, ...]:
    """The flights of a track, one for each arming after which the vehicle left the ground; the track itself of one.

    Where it does not report whether it stands on the ground, every arming counts.
    """
    spans = _spans(track)
    if not spans or [at_s for _, at_s, _ in spans] == list(track.armings_s[:1]):
        return (track,)
    return tuple(_part(track, number, len(spans), span) for number, span in enumerate(spans, start=1))


def _spans(track: Track) -> list[tuple[float, float, float]]:
    """Beginning, arming and end of each flight."""
    armed = track.signals.get("armed")
    if armed is None or len(track.armings_s) <= 1:
        return []
    ends = [*track.armings_s[1:], np.inf]
    flown = [
        (at_s, end_s) for at_s, end_s in zip(track.armings_s, ends, strict=True) if _flew(track, at_s, end_s)
    ]
    if not flown:  # armed and disarmed on the ground, again and again
        return []
    falls = armed.time_s[1:][np.diff(armed.values) < 0]
    begins = [-np.inf]
    for (before_s, _), (at_s, _) in itertools.pairwise(flown):
        between = falls[(falls > before_s) & (falls < at_s)]
        begins.append(float(between[-1]) if len(between) else at_s)
    return [(begin_s, at_s, end_s) for begin_s, (at_s, end_s) in zip(begins, flown, strict=True)]


def _flew(track: Track, begin_s: float, end_s: float) -> bool:
    on_ground = track.signals.get("on_ground")
    if not len(track.positions.between(begin_s, end_s)):
        return False
    return on_ground is None or bool((on_ground.between(begin_s, end_s).values == 0).any())


def _part(track: Track, number: int, count: int, span: tuple[float, float, float]) -> Track:
    """The part of a track about one arming, anchored there."""
    begin_s, at_s, end_s = span

    def cut(whole: Series) -> Series:
        return whole.between(begin_s, np.nextafter(end_s, -np.inf))

    positions, velocities = cut(track.positions), cut(track.velocities)
    signals = {name: cut(signal) for name, signal in track.signals.items()}
    anchors = anchors_of(positions, _attitude(signals), at_s, "the vehicle's own estimate")
    if count > 1:
        anchors = replace(anchors, says=f"flight {number} of {count} in the capture: {anchors.says}")
    known = signals | motion_signals(positions, velocities, anchors)
    return replace(
        track,
        positions=positions,
        velocities=velocities,
        about_home=None if track.about_home is None else _about(cut(track.about_home), at_s),
        signals={name: signal for name, signal in known.items() if len(signal) and name in signals},
        anchors=anchors,
        end_s=min(track.end_s, end_s),
        armings_s=(at_s,),
    )


def _attitude(signals: dict[str, Series]) -> Series:
    """Roll, pitch and heading; level and to the north where they are not reported."""
    heading = signals.get("heading", Series(np.zeros(1), np.zeros(1)))
    level: FloatArray = np.zeros_like(heading.values)
    return Series(heading.time_s, np.stack([level, level, heading.values], axis=-1))


def _about(about_home: Series, at_s: float) -> Series:
    """Heights above where the vehicle armed for this flight."""
    last = max(int(np.searchsorted(about_home.time_s, at_s, side="right")) - 1, 0)
    if not len(about_home):
        return about_home
    return Series(about_home.time_s, about_home.values - np.array([0.0, 0.0, about_home.values[last, 2]]))
