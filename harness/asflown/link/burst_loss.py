"""Loss that comes in bursts: the two-state model of Gilbert and Elliott.

Before each frame the channel may change between a good and a bad state; in each state a frame is lost with a share of
its own. Sources: E. N. Gilbert, Bell System Technical Journal 39, 1960; E. O. Elliott, the same, 42, 1963.
"""

from __future__ import annotations

from typing import Protocol


class Random(Protocol):
    """What is needed of numpy's Generator: uniform numbers from 0 up to, and without, 1."""

    def random(self) -> float:
        """The next one."""


class BurstLoss:
    """The channel's state; it is good at first. A lossless one draws nothing."""

    __slots__ = ("_bad", "_generator", "bad_to_good", "good_to_bad", "loss_in_bad", "loss_in_good", "never")

    def __init__(
        self,
        good_to_bad: float,
        bad_to_good: float,
        generator: Random,
        *,
        loss_in_good: float = 0.0,
        loss_in_bad: float = 1.0,
    ) -> None:
        """All four are probabilities for one frame; `generator` is used by nobody else."""
        self.good_to_bad, self.bad_to_good = good_to_bad, bad_to_good
        self.loss_in_good, self.loss_in_bad = loss_in_good, loss_in_bad
        self.never = loss_in_good == 0 and (good_to_bad == 0 or loss_in_bad == 0)
        self._generator = generator
        self._bad = False

    def loses(self) -> bool:
        """Moves on by one frame; whether it is lost. Draws twice, whatever comes of it."""
        if self.never:
            return False
        change, fate = self._generator.random(), self._generator.random()
        if self._bad:
            self._bad = change >= self.bad_to_good
        else:
            self._bad = change < self.good_to_bad
        return fate < (self.loss_in_bad if self._bad else self.loss_in_good)

    @property
    def is_bad(self) -> bool:
        """Whether the channel is in its bad state now."""
        return self._bad

    @property
    def share_bad(self) -> float:
        """The share of frames that find the channel bad, in the long run."""
        return self.good_to_bad / (self.good_to_bad + self.bad_to_good) if self.good_to_bad else 0.0

    @property
    def mean_loss(self) -> float:
        """The share of frames that are lost, in the long run."""
        return self.share_bad * self.loss_in_bad + (1 - self.share_bad) * self.loss_in_good

    @property
    def mean_burst(self) -> float:
        """The mean length of a run of losses, in the long run; 0 when nothing is ever lost.

        Runs begin as often as a frame that arrives is followed by one that is lost.
        """
        if not self.mean_loss:
            return 0.0
        bad, to_bad, to_good = self.share_bad, self.good_to_bad, self.bad_to_good
        loses_next_in_good = to_bad * self.loss_in_bad + (1 - to_bad) * self.loss_in_good
        loses_next_in_bad = (1 - to_good) * self.loss_in_bad + to_good * self.loss_in_good
        begins = (1 - bad) * (1 - self.loss_in_good) * loses_next_in_good
        begins += bad * (1 - self.loss_in_bad) * loses_next_in_bad
        return self.mean_loss / begins if begins else float("inf")
