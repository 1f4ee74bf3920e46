"""The table of integration methods: pure functions on a block of samples of the same places.

A new method is one function and one entry in ``METHODS``.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache, partial

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf, log_ndtr

from stackkit import method_kernels as kernels
from stackkit.errors import UsageError

Block = NDArray[np.float32]
Combined = tuple[Block, Block, NDArray[np.int16]]
"""Value (P,), variance (P,), number of samples that count (P,); NaN, NaN and 0 where none do."""


@dataclass(frozen=True)
class Samples:
    """A block: what N frames say of the same P places.

    ``values`` (N, P) ADU, NaN where a frame has nothing; ``variances`` (N, P) of the values, ADU²;
    ``weights`` (N,) of the frames, ≥ 0; ``contrast`` (P,): range of the picture over the
    neighbouring places in a first stack, ADU, 0 where unknown.  A sample without a variance, or of
    a frame of weight 0, counts as missing.
    """

    values: Block
    variances: Block
    weights: Block
    contrast: Block


@dataclass(frozen=True)
class Parameter:
    """A number that a method takes, its limits included."""

    name: str
    default: float
    low: float
    high: float
    purpose: str


@dataclass(frozen=True)
class Method:
    """A way to combine samples.

    ``needs_noise``: whether it judges by the samples' variances rather than by their scatter;
    ``rejects``: whether it leaves samples out.
    """

    name: str
    purpose: str
    function: Callable[..., Combined]
    parameters: tuple[Parameter, ...] = ()
    needs_noise: bool = False
    rejects: bool = False


def weighted_mean(samples: Samples) -> Combined:
    """Σ w·v / Σ w over the samples that exist: least noise, no rejection."""
    return _run(kernels.weighted_mean, samples)


def median(samples: Samples) -> Combined:
    """Middle value (mean of the two middle ones): robust from three frames on.

    Weights play no part.  Variance: that of the median of n Gaussian samples, by integration over
    order statistics; unequal samples count by Σ 1/σ (the density at the centre).
    """
    return _run(kernels.median, samples, _median_factors(len(samples.values)))


def sigma_clip(samples: Samples, *, kappa: float = 3.0) -> Combined:
    """Mean of what lies within ``kappa`` standard deviations of the median, iterated.

    The standard deviation is the population's, as in astropy: of N values one apart from all others
    lies at most N/√(N-1) of them from the median, so that 3 rejects nothing up to seven frames.
    (From the mean, in sample standard deviations, it is (N-1)/√N, and ten: Shiffler 1988.)
    """
    return _told_more(_run(kernels.sigma_clip, samples, kappa), kernels.sigma_clip, samples, kappa)


def winsorised(samples: Samples, *, kappa: float = 3.0) -> Combined:
    """Mean of what lies within ``kappa`` winsorised standard deviations of the median.

    Values beyond 1.5 σ of the median are brought to that limit and σ is taken anew, times 1.134,
    which makes it right for Gaussian noise, until it stays (metrically winsorised residuals:
    Huber 1981, *Robust Statistics*, section 1.7).  An outlier cannot hide itself by its own size.
    """
    return _told_more(_run(kernels.winsorised, samples, kappa), kernels.winsorised, samples, kappa)


def noise_model(samples: Samples, *, kappa: float = 4.0, steepness: float = 0.25) -> Combined:
    """Mean of the samples that their own noise explains.

    A sample goes when it is more than ``kappa`` σ from the median, and then from the mean of the
    rest; σ² is its own variance, the centre's, and (``steepness`` · contrast)² for what seeing and
    registration do where the picture is steep.  Works from three frames on; of two, none is wrong.
    """
    return _run(kernels.noise_model, samples, kappa, steepness)


def tukey(samples: Samples, *, c: float = 4.685, steepness: float = 0.25) -> Combined:
    """M-estimator with Tukey's biweight (Beaton & Tukey 1974), each sample in units of its own σ.

    Started at the median, iterated reweighting; σ as in :func:`noise_model`.  ``c`` = 4.685 has
    95 % of the mean's efficiency on Gaussian noise.
    """
    return _run(kernels.tukey, samples, c, steepness, 1 / tukey_efficiency(c))


def huber(samples: Samples, *, c: float = 1.345, steepness: float = 0.25) -> Combined:
    """M-estimator with Huber's weights (Huber 1964), each sample in units of its own σ.

    Nothing is left out, but what is further than ``c`` σ pulls no more than if it were there.
    ``c`` = 1.345 has 95 % of the mean's efficiency on Gaussian noise.
    """
    return _run(kernels.huber, samples, c, steepness, 1 / huber_efficiency(c))


def maximum(samples: Samples) -> Combined:
    """The brightest sample: shows everything that ever crossed, trails above all.

    Variance: that of the largest of n Gaussian samples, by integration over order statistics.
    """
    return _run(kernels.extreme, samples, 1.0, _extreme_factors(len(samples.values)))


def minimum(samples: Samples) -> Combined:
    """The darkest sample: nothing that crossed, but noise and sky below the truth."""
    return _run(kernels.extreme, samples, -1.0, _extreme_factors(len(samples.values)))


_KAPPA = Parameter("kappa", 3.0, 0.5, 100.0, "standard deviations from which on a sample goes")
_STEEPNESS = Parameter(
    "steepness", 0.25, 0.0, 10.0, "share of the local contrast that a sample may be off"
)

METHODS: dict[str, Method] = {
    method.name: method
    for method in (
        Method("mean", "least noise when nothing crosses the frames", weighted_mean),
        Method("median", "robust from three frames on, a quarter more noise", median),
        Method(
            "sigma-clip",
            "rejects trails when there are many frames",
            sigma_clip,
            (_KAPPA,),
            rejects=True,
        ),
        Method(
            "winsorised",
            "rejects trails from about five frames on",
            winsorised,
            (_KAPPA,),
            rejects=True,
        ),
        Method(
            "noise-model",
            "rejects what the camera's noise does not explain, from three frames on",
            noise_model,
            (replace(_KAPPA, default=4.0), _STEEPNESS),
            needs_noise=True,
            rejects=True,
        ),
        Method(
            "tukey",
            "gives doubtful samples less weight, far ones none",
            tukey,
            (
                Parameter("c", 4.685, 1.5, 100.0, "standard deviations from which on none is left"),
                _STEEPNESS,
            ),
            needs_noise=True,
            rejects=True,
        ),
        Method(
            "huber",
            "gives far samples less weight, none is left out",
            huber,
            (
                Parameter("c", 1.345, 0.1, 100.0, "standard deviations up to which all counts"),
                _STEEPNESS,
            ),
            needs_noise=True,
        ),
        Method("maximum", "shows all that crossed: for star trails and for looking", maximum),
        Method("minimum", "shows what was there in every frame, dark and noisy", minimum),
    )
}


def method_named(name: str, also: tuple[str, ...] = ()) -> Method:
    """The method of that name.  ``also``: other names that the caller knows.

    Raises ``UsageError`` with the names when there is none.
    """
    if name in METHODS:
        return METHODS[name]
    names = (*also, *METHODS)
    close = difflib.get_close_matches(name, names, 1)
    hint = f" Did you mean “{close[0]}”?" if close else ""
    raise UsageError(f"There is no method “{name}”.{hint} Choose one of: {', '.join(names)}.")


def with_parameters(method: Method, given: Mapping[str, float]) -> Method:
    """The method with other numbers than its defaults.

    Raises ``UsageError`` for a name it does not have and a number out of range.
    """
    known = {parameter.name: parameter for parameter in method.parameters}
    for name, value in given.items():
        if name not in known:
            takes = ", ".join(known) or "no numbers"
            raise UsageError(f"The method “{method.name}” has no “{name}”. It takes: {takes}.")
        low, high = known[name].low, known[name].high
        if not (math.isfinite(value) and low <= value <= high):
            raise UsageError(
                f"“{name}” of the method “{method.name}” must be from {low:g} to {high:g}, "
                f"not {value:g}."
            )
    bound = tuple(replace(p, default=float(given.get(p.name, p.default))) for p in known.values())
    return replace(method, function=partial(method.function, **given), parameters=bound)


def _run(kernel: Callable[..., None], samples: Samples, *arguments: object) -> Combined:
    places = samples.values.shape[1]
    out = (
        np.full(places, np.nan, np.float32),
        np.full(places, np.nan, np.float32),
        np.zeros(places, np.int16),
    )
    kernel(samples.values, samples.variances, samples.weights, samples.contrast, *arguments, *out)
    return out


def _told_more(
    found: Combined, kernel: Callable[..., None], samples: Samples, kappa: float
) -> Combined:
    """The result with the variance that choosing samples by their own scatter adds."""
    value, variance, count = found
    return value, variance * _choosing(kernel, len(samples.values), kappa), count


@lru_cache(maxsize=8)
def _choosing(kernel: Callable[..., None], frames: int, kappa: float) -> np.float32:
    """By what factor limits by the samples' own scatter make a mean of pure noise noisier.

    It has no closed form: measured on a fixed draw, to 1 %.
    """
    shape = (frames, _DRAWN)
    draw = np.random.default_rng(1).normal(size=shape).astype(np.float32)
    even = np.ones(shape, np.float32)
    noise = Samples(draw, even, even[:, 0], np.zeros(_DRAWN, np.float32))
    value, variance, _ = _run(kernel, noise, kappa)
    return np.float32(np.var(value) / np.mean(variance) / (np.var(draw.mean(axis=0)) * frames))


_DRAWN = 20_000

# fmt: off
_MEDIAN_FACTORS = (
    1.0, 1.0, 1.3460, 1.1928, 1.4342, 1.2885, 1.4731, 1.3455, 1.4949, 1.3834, 1.5088, 1.4104,
    1.5184, 1.4307, 1.5254, 1.4464, 1.5308, 1.4591, 1.5350, 1.4694, 1.5385, 1.4781, 1.5413, 1.4855,
    1.5437, 1.4919, 1.5457, 1.4974, 1.5474, 1.5023, 1.5489, 1.5067,
)
# fmt: on
"""n times the variance of the median of n standard normal values, n from 1: integrated over the
densities of the middle order statistics."""


@lru_cache(maxsize=8)
def _median_factors(most: int) -> NDArray[np.float64]:
    """n·Var of the median of n standard normal values for n = 0 … ``most``; π/2 in the limit."""
    n = np.arange(most + 1)
    far = np.pi / 2 - np.where(n % 2, 0.68, 2.05) / np.maximum(n, 1)
    far[1 : len(_MEDIAN_FACTORS) + 1] = _MEDIAN_FACTORS[:most]
    return far


@lru_cache(maxsize=8)
def _extreme_factors(most: int) -> NDArray[np.float64]:
    """Variance of the largest of n standard normal values for n = 0 … ``most``."""
    x = np.linspace(-8, 8, 3201)
    n = np.arange(most + 1)[:, None]
    density = n * np.exp((n - 1) * log_ndtr(x) - 0.5 * x**2) / np.sqrt(2 * np.pi) * (x[1] - x[0])
    return np.asarray((density * x**2).sum(axis=1) - (density * x).sum(axis=1) ** 2)


@lru_cache(maxsize=8)
def tukey_efficiency(c: float) -> float:
    """Efficiency of the biweight against the mean on Gaussian noise: (E ψ')² / E ψ²."""
    x = np.linspace(-min(c, 12), min(c, 12), 4001)
    density = np.exp(-0.5 * x**2) / np.sqrt(2 * np.pi) * (x[1] - x[0])
    part = 1 - (x / c) ** 2
    bend, pull = part * (1 - 5 * (x / c) ** 2), x * part**2
    return float((bend * density).sum() ** 2 / (pull**2 * density).sum())


@lru_cache(maxsize=8)
def huber_efficiency(c: float) -> float:
    """Efficiency of Huber's estimator against the mean on Gaussian noise: (E ψ')² / E ψ²."""
    inside = float(erf(c / np.sqrt(2)))
    density = float(np.exp(-0.5 * c**2) / np.sqrt(2 * np.pi))
    return inside**2 / (inside - 2 * c * density + c**2 * (1 - inside))
