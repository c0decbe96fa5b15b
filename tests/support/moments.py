"""Means and variances that can be worked out on paper, and how near to them draws must come."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Beta:
    """Moments of k Beta distributions: textbooks."""

    alpha: np.ndarray
    beta: np.ndarray

    @property
    def mean(self) -> np.ndarray:
        return self.alpha / (self.alpha + self.beta)

    @property
    def square(self) -> np.ndarray:
        """Second moments about 0."""
        return self.mean**2 + self.mean * (1.0 - self.mean) / (self.alpha + self.beta + 1.0)


def within_error(drawn: np.ndarray, mean: float, variance: float) -> None:
    """Compare draws (D,) with an analytic mean and variance, each to 4 of its own standard errors."""
    root = np.sqrt(drawn.size)
    assert abs(drawn.mean() - mean) < 4.0 * np.sqrt(variance) / root
    fourth = ((drawn - drawn.mean()) ** 4).mean()
    assert abs(drawn.var() - variance) < 4.0 * np.sqrt(fourth - drawn.var() ** 2) / root
