"""What each outcome costs; alone in its module, so that reading a setting does not load the engine."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Losses:
    """What each outcome costs, in units of one caliper reading asked for over the phone.

    `wrong_answer` is naming the wrong part (a return, an argument, a bent valve); `handed_over` is putting a case
    before a person that need not have been. `credible_level` is the probability that the set shown for an ambiguous
    answer must hold; `longest_set` the most classes that still read as an answer rather than as "measure more".
    """

    wrong_answer: float = 120.0
    handed_over: float = 3.0
    credible_level: float = 0.95
    longest_set: int = 5

    @property
    def sure_enough(self) -> float:
        """The probability from which naming costs less than handing over: (1 - p) wrong_answer <= handed_over."""
        return 1 - self.handed_over / self.wrong_answer


DEFAULT_LOSSES = Losses()
