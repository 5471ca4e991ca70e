"""One error model for every regression of a study: white noise and a memory, averaged over what fits.

    R_ij = (1 − w)·exp(−|t_i − t_j|/θ) + w·δ_ij          residuals of y = Xβ + e, Cov e = σ²R
    ℓ(θ, w) = −½ ln|R| − ½ ln|XᵀR⁻¹X| − ½(n − k) ln s²    restricted likelihood (Patterson & Thompson 1971)

θ and w are averaged over a grid with weights exp ℓ instead of being fixed at their best: plugged in, the best
memory held the true value in 48 to 70 of 100 trials only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...series import Float

MEMORIES = 12
WHITE = (0.0, 0.02, 0.1, 0.3, 0.6, 0.9, 1.0)
MOST_BLOCKS = 240
FEWEST_DEGREES = 3.0


@dataclass(frozen=True)
class Regression:
    """Coefficients (k,), their covariance (k, k), degrees of freedom, and the error model averaged.

    memory: θ in the unit of t; white: w; residual_sd: of y about the line.
    """

    beta: Float
    covariance: Float
    degrees: float
    memory: float
    white: float
    residual_sd: float

    def interval(self, weights: Float) -> tuple[float, float, float]:
        """Value and 95 % interval of a linear combination of the coefficients, shape (k,)."""
        from scipy.stats import t

        value = float(weights @ self.beta)
        half = float(t.ppf(0.975, self.degrees) * np.sqrt(weights @ self.covariance @ weights))
        return value, value - half, value + half


def regress(design: Float, y: Float, t: Float, longest: float | None = None) -> Regression:
    """Fit y (n,) = design (n, k) · β at times t (n,), any spacing; longest: of the memories that are tried.

    Raises ValueError with fewer than k + 2 values, or where columns depend on each other.
    """
    from scipy.linalg import cho_solve, cholesky

    n, k = design.shape
    if n < k + 2:
        raise ValueError(f"{n} values do not determine {k} coefficients and their noise.")
    if np.linalg.matrix_rank(design) < k:
        raise ValueError("The columns of the regression depend on each other.")
    apart = np.abs(t[:, None] - t[None, :])
    step = float(np.median(np.diff(np.sort(t))))
    memories = np.geomspace(0.5 * step, longest or (t.max() - t.min()) / 2, MEMORIES)
    fits: list[tuple[float, Float, Float, float, float]] = []
    for white in WHITE:
        for memory in memories if white < 1 else memories[:1]:
            correlation = (1 - white) * np.exp(-apart / memory)
            correlation[np.diag_indices(n)] = 1.0 + 1e-10
            lower = cholesky(correlation, lower=True)
            solved = cho_solve((lower, True), np.column_stack((design, y)))
            normal = design.T @ solved[:, :k]
            beta = np.linalg.solve(normal, design.T @ solved[:, k])
            residual = y - design @ beta
            square = max(float(residual @ (solved[:, k] - solved[:, :k] @ beta)), 1e-300)
            log_r = 2 * float(np.log(np.diag(lower)).sum())
            log_x = float(np.linalg.slogdet(normal)[1])
            log_p = -0.5 * (log_r + log_x + (n - k) * np.log(square))
            # White noise alone has no memory: it stands for the whole row of the grid.
            log_p += np.log(MEMORIES) if white == 1 else 0.0
            fits.append((log_p, beta, square / (n - k) * np.linalg.inv(normal), float(memory), white))
    return _average(fits, design, y, step)


def _average(
    fits: list[tuple[float, Float, Float, float, float]], design: Float, y: Float, step: float
) -> Regression:
    n, k = design.shape
    log_p = np.array([fit[0] for fit in fits])
    p = np.exp(log_p - log_p.max())
    p /= p.sum()
    betas = np.stack([fit[1] for fit in fits])
    beta = p @ betas
    away = betas - beta
    covariance = np.einsum("i,ijk->jk", p, np.stack([fit[2] for fit in fits]))
    covariance += np.einsum("i,ij,ik->jk", p, away, away)
    memory = float(p @ np.array([fit[3] for fit in fits]))
    white = float(p @ np.array([fit[4] for fit in fits]))
    degrees = max(FEWEST_DEGREES, n / (1 + 2 * (1 - white) * memory / step) - k)
    residual_sd = float(np.std(y - design @ beta, ddof=min(k, n - 1)))
    return Regression(beta, covariance, degrees, memory, white, residual_sd)


def in_blocks(t: Float, *columns: Float, most: int = MOST_BLOCKS) -> tuple[Float, ...]:
    """Means over blocks of neighbours, at most so many; t first, then the columns, each (n,) or (n, k)."""
    n = len(t)
    if n <= most:
        return (t, *columns)
    edges = np.linspace(0, n, most + 1).astype(np.int64)[:-1]
    size = np.diff(np.append(edges, n)).astype(np.float64)

    def mean(column: Float) -> Float:
        total = np.add.reduceat(column, edges, axis=0)
        return np.asarray(total / (size if column.ndim == 1 else size[:, None]))

    return tuple(mean(column) for column in (t, *columns))
