"""The parameters that are integrated over: standard deviations, correlations, the residual.

A point is a row of coordinates: first each term's standard deviations (>= 0, as they are, so that
zero is an ordinary point with a finite density), then its partial correlations as atanh (a term of
k correlated columns has k(k-1)/2), and last log σ for a Gaussian response. Λ here is absolute: the
covariance of a level's effects is ΛΛ' for every family.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from reedlab.errors import ModelError
from reedlab.mixed.design.terms import Design, RandomTerm
from reedlab.mixed.posterior.priors import Priors, column_scale


@dataclass(frozen=True)
class Scales:
    """The coordinates of one model, with their names, prior and meaning."""

    terms: tuple[RandomTerm, ...]  # the model's random terms
    residual: bool  # whether a residual standard deviation is among the parameters
    # names of the parameters as reported: "sd supplier", "sd supplier x", "cor supplier x"
    sd_names: tuple[str, ...]
    cor_names: tuple[str, ...]
    sd_scales: np.ndarray  # half-normal scale of each standard deviation
    eta: float  # the LKJ prior's shape
    residual_scale: float  # half-normal scale of the residual standard deviation

    @classmethod
    def of(cls, terms: tuple[RandomTerm, ...], priors: Priors, residual: bool) -> Scales:
        """Lay out the coordinates of a model's terms."""
        known = {name for term in terms for name in (term.group, term.group.split(":")[-1])}
        if unknown := [name for name in priors.by_group if name not in known]:
            groups = ", ".join(dict.fromkeys(term.group for term in terms))
            raise ModelError(
                f"the prior's by_group names {unknown[0]!r}: name a grouping of the model, which "
                f"are {groups or 'none'}."
            )
        sds, cors, scales = [], [], []
        for term in terms:
            for j, name in enumerate(term.names):
                sds.append(f"sd {term.group}" + ("" if name == "Intercept" else f" {name}"))
                scales.append(priors.group_scale(term.group) / column_scale(term.basis[:, j]))
            for i, j in term.pairs:
                first = "" if term.names[j] == "Intercept" else f" {term.names[j]}"
                cors.append(f"cor {term.group}{first} {term.names[i]}")
        return cls(
            terms=terms,
            residual=residual,
            sd_names=tuple(sds),
            cor_names=tuple(cors),
            sd_scales=np.array(scales),
            eta=priors.correlation_eta,
            residual_scale=priors.residual_scale,
        )

    @property
    def size(self) -> int:
        """Number of coordinates."""
        return len(self.sd_names) + len(self.cor_names) + self.residual

    @property
    def lower(self) -> np.ndarray:
        """Each coordinate's lower bound: 0 for standard deviations, none for the others."""
        out = np.full(self.size, -np.inf)
        out[: len(self.sd_names)] = 0.0
        return out

    @property
    def names(self) -> tuple[str, ...]:
        """Names of what `parameters` returns, in its order."""
        return self.sd_names + self.cor_names + (("sd Residual",) if self.residual else ())

    def start(self, design: Design, sds: np.ndarray | None) -> tuple[np.ndarray, np.ndarray]:
        """Where to look for the mode, and how wide it may be: two arrays (size,).

        From a guess of the standard deviations that is kept within reason, or from half their
        prior's scale.
        """
        guess = 0.5 * self.sd_scales if sds is None else sds
        guess = np.clip(guess, 0.2 * self.sd_scales, 3.0 * self.sd_scales)
        n_cor = len(self.cor_names)
        start = np.concatenate([guess, np.zeros(n_cor)])
        width = np.concatenate([0.4 * guess, np.full(n_cor, 0.5)])
        if self.residual:
            _, squares, rank, _ = np.linalg.lstsq(design.X, design.y, rcond=None)
            left = float(squares[0]) if len(squares) else float(np.var(design.y)) * design.n
            start = np.append(start, 0.5 * np.log(max(left, 1e-30) / max(design.n - rank, 1)))
            width = np.append(width, max(1.0 / np.sqrt(2.0 * design.n), 0.02))
        return start, width

    def sigma(self, points: np.ndarray) -> np.ndarray:
        """Residual standard deviation of each point; 1 where the model has none."""
        return np.exp(points[:, -1]) if self.residual else np.ones(len(points))

    def lambdas(self, points: np.ndarray) -> list[np.ndarray]:
        """Λ of each term at each point: a list of (G, k, k)."""
        out, at_sd, at_cor = [], 0, len(self.sd_names)
        for term in self.terms:
            k, pairs = term.k, term.pairs
            sd = points[:, at_sd : at_sd + k]
            partial = np.tanh(points[:, at_cor : at_cor + len(pairs)])
            out.append(sd[:, :, None] * _correlation_cholesky(partial, k, pairs))
            at_sd, at_cor = at_sd + k, at_cor + len(pairs)
        return out

    def put(self, points: np.ndarray, t: int, factors: np.ndarray) -> None:
        """Write a term's coordinates into points, from factors F (G, k, k) of covariances FF'.

        `lambdas` then gives the lower triangular factor of the same covariance.
        """
        term, before = self.terms[t], self.terms[:t]
        at_sd = sum(other.k for other in before)
        at_cor = len(self.sd_names) + sum(len(other.pairs) for other in before)
        # F = (QR)' = R'Q', so R' is the lower triangular factor of FF', its signs set so that the
        # diagonal is positive.
        lower = np.linalg.qr(factors.transpose(0, 2, 1))[1].transpose(0, 2, 1)
        lower = lower * np.where(np.einsum("gkk->gk", lower) < 0.0, -1.0, 1.0)[:, None, :]
        sd = np.sqrt(np.sum(lower**2, axis=2))
        points[:, at_sd : at_sd + term.k] = sd
        # Lewandowski et al. 2009: a row of the factor of a correlation matrix has unit length, and
        # each partial correlation is its entry over what the entries before it have left.
        left = np.ones_like(sd)
        for c, (i, j) in enumerate(term.pairs):
            length = np.maximum(sd[:, i] * left[:, i], 1e-300)
            partial = np.clip(lower[:, i, j] / length, -1.0 + 1e-12, 1.0 - 1e-12)
            points[:, at_cor + c] = np.arctanh(partial)
            left[:, i] *= np.sqrt(1.0 - partial**2)

    def log_prior(self, points: np.ndarray) -> np.ndarray:
        """Log prior density of each point in these coordinates, up to a constant."""
        n_sd = len(self.sd_names)
        out = -0.5 * np.sum((points[:, :n_sd] / self.sd_scales) ** 2, axis=1)
        at = n_sd
        for term in self.terms:
            for _, j in term.pairs:
                # LKJ: partial correlations are independent, (1 - r²) to eta - 1 + (k - 2 - j) / 2;
                # the last factor is the Jacobian of atanh.
                power = self.eta + (term.k - 2 - j) / 2.0
                out += power * np.log1p(-(np.tanh(points[:, at]) ** 2))
                at += 1
        if self.residual:
            # Half-normal on σ; the first part is the Jacobian of log σ.
            sigma = np.exp(points[:, -1])
            out += points[:, -1] - 0.5 * (sigma / self.residual_scale) ** 2
        return out

    def parameters(self, points: np.ndarray) -> np.ndarray:
        """Return the reported parameters (G, len(names)), in the order of `names`."""
        columns = [points[:, : len(self.sd_names)]]
        at_sd_one = np.where(np.arange(self.size) < len(self.sd_names), 1.0, points)
        for term, lam in zip(self.terms, self.lambdas(at_sd_one)):
            columns += [np.sum(lam[:, [i]] * lam[:, [j]], axis=2) for i, j in term.pairs]
        if self.residual:
            columns.append(np.exp(points[:, -1:]))
        return np.concatenate(columns, axis=1)


def _correlation_cholesky(partial: np.ndarray, k: int, pairs: list[tuple[int, int]]) -> np.ndarray:
    """Cholesky factors (G, k, k) of the correlation matrices of partial correlations."""
    out = np.zeros((len(partial), k, k))
    left = np.ones((len(partial), k))  # what is left of each row's unit length
    for c, (i, j) in enumerate(pairs):
        out[:, i, j] = partial[:, c] * left[:, i]
        left[:, i] *= np.sqrt(1.0 - partial[:, c] ** 2)
    out[:, np.arange(k), np.arange(k)] = left
    return out
