"""How water is spread over a row of well-stirred layers by moving on: by a Poisson law, or round and round."""

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

__all__ = ["poisson", "wrapped"]

Array = NDArray[np.float64]

_MOST = 64  # layers passed
_LOG_FACTORIAL = gammaln(np.arange(_MOST) + 1.0)


def poisson(mean: Array, n: int) -> Array:
    """Probability of 0 to n - 1 events for each of some positive means, shape (means, n)."""
    return np.asarray(np.exp(np.arange(n) * np.log(mean)[:, None] - mean[:, None] - _LOG_FACTORIAL[:n]))


def wrapped(passed: Array, n: int) -> Array:
    """Parts by layers passed become parts by place on a round of n layers, adding up to one. Shape (steps, n)"""
    rounds = -(-passed.shape[1] // n)
    padded = np.zeros((len(passed), rounds * n))
    padded[:, : passed.shape[1]] = passed
    places = np.add.reduce(padded.reshape(len(passed), rounds, n), axis=1)
    return np.asarray(places / np.add.reduce(places, axis=1)[:, None])
