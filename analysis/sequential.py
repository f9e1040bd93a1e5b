"""A stopping rule that stays honest when one looks again and again.

The picture. Standardised evidence after each look is a Brownian motion read at the share of the planned information
that is in. Whoever tests at 5 % at every look is wrong 14 times in 100 after five looks. A spending function says how
much of the 5 % may have been used at each share, and the boundaries that spend exactly that follow by integrating the
motion from look to look. Looks need not be even nor decided beforehand; only the planned total must be.

O'Brien and Fleming's shape spends almost nothing early: an early verdict needs overwhelming evidence, and the last
look costs hardly more than a single test would.

It knows shares of information only; what a look is and what is compared is for `trials.py`.

*Source*: Armitage, McPherson & Rowe 1969, JRSS A 132:235 (the integration); Lan & DeMets 1983, Biometrika 70:659
(spending, O'Brien and Fleming's shape, half of the error to each tail); Jennison & Turnbull 1989, JRSS B 51:305
(repeated intervals).
"""

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import ndtr
from scipy.stats import norm

FloatArray = npt.NDArray[np.float64]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(121)
_NEVER = 8.0  # a boundary beyond 8 standard errors cannot be reached and cannot be told from infinity


def obrien_fleming_spending(share: npt.ArrayLike, alpha: float = 0.05) -> FloatArray:
    """Two-sided error that may be spent at shares (k,) of the planned information: 4 (1 - F(z_{a/4} / sqrt t))."""
    t = np.clip(np.asarray(share, float), 1e-12, 1.0)
    spent: FloatArray = 4 * norm.sf(norm.isf(alpha / 4) / np.sqrt(t))
    return np.minimum(spent, alpha)


def spending_boundaries(share: npt.ArrayLike, alpha: float = 0.05) -> FloatArray:
    """Two-sided boundaries (k,) in standard errors for looks at rising shares (k,) of the planned information.

    Raises ValueError for shares that do not rise within (0, 1].
    *Holds for* evidence with independent increments; within 0.0005 of published constants.
    """
    t = np.asarray(share, float)
    if t.ndim != 1 or len(t) == 0 or (np.diff(t) <= 0).any() or t[0] <= 0 or t[-1] > 1 + 1e-12:
        raise ValueError("shares of the planned information must rise, above 0 and up to 1")
    allowed = np.diff(obrien_fleming_spending(t, alpha), prepend=0.0)
    bounds = np.empty(len(t))
    inside: tuple[FloatArray, FloatArray] | None = None
    for k in range(len(t)):
        step = t[k] - (t[k - 1] if k else 0.0)
        if _left(inside, _NEVER * np.sqrt(t[k]), step) >= allowed[k]:
            bounds[k] = _NEVER
        else:
            bounds[k] = _edge(inside, step, float(np.sqrt(t[k])), float(allowed[k]))
        inside = _carried(inside, bounds[k] * np.sqrt(t[k]), step, 0.0)
    return bounds


def chance_of_stopping(share: npt.ArrayLike, bounds: npt.ArrayLike, drift: float = 0.0) -> FloatArray:
    """Chance (k,) that the evidence first leaves +-bounds (k,) at each look; drift is the effect in final errors."""
    t, c = np.asarray(share, float), np.asarray(bounds, float)
    left = np.empty(len(t))
    inside: tuple[FloatArray, FloatArray] | None = None
    for k in range(len(t)):
        step = t[k] - (t[k - 1] if k else 0.0)
        left[k] = _left(inside, c[k] * np.sqrt(t[k]), step, drift)
        inside = _carried(inside, c[k] * np.sqrt(t[k]), step, drift)
    return left


def _edge(inside: tuple[FloatArray, FloatArray] | None, step: float, scale: float, allowed: float) -> float:
    """The boundary, in standard errors, beyond which exactly the allowed error lies at this look."""
    return float(brentq(lambda c: _left(inside, c * scale, step) - allowed, 0.0, _NEVER, xtol=1e-6))


def _left(inside: tuple[FloatArray, FloatArray] | None, edge: float, step: float, drift: float = 0.0) -> float:
    """Chance to be beyond +-edge after a step of information, from a density held on a grid (points, weights)."""
    points, weights = (np.zeros(1), np.ones(1)) if inside is None else inside
    centre, sd = points + drift * step, np.sqrt(step)
    return float(weights @ (ndtr((centre - edge) / sd) + ndtr((-edge - centre) / sd)))


def _carried(
    inside: tuple[FloatArray, FloatArray] | None, edge: float, step: float, drift: float
) -> tuple[FloatArray, FloatArray]:
    """The density of those who went on, on Gauss-Legendre points between the edges."""
    points, weights = (np.zeros(1), np.ones(1)) if inside is None else inside
    # beyond 8 standard deviations of where the motion can be there is nothing to integrate
    reach = min(edge, float(np.abs(points).max()) + abs(drift) * step + _NEVER * np.sqrt(step))
    new = reach * _NODES
    sd = np.sqrt(step)
    density = (
        np.exp(-0.5 * ((new[:, None] - points[None, :] - drift * step) / sd) ** 2) @ weights / (sd * np.sqrt(2 * np.pi))
    )
    return new, density * _WEIGHTS * reach
