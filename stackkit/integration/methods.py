"""The table of integration methods: pure functions on a block of samples of the same places.

A method is one function and one entry of ``METHODS``.  It takes ``Samples`` and gives value (P,),
variance (P,) and the number of samples that count (P,).  For every method alike:

- A sample is missing where its value or its variance is not finite, where the variance is negative,
  and throughout a frame of weight zero.
- A place without samples has value NaN, variance NaN, count 0.
- The variance is that of the result, for Gaussian noise of the given variances.  What rejecting and
  downweighting good samples costs is part of it (``_inflation``).
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stackkit.errors import UsageError
from stackkit.integration import kernels, noise_kernels
from stackkit.integration.order_statistics import extreme_variances, median_variances
from stackkit.sorting import sorting_network

Block = NDArray[np.float32]
Combined = tuple[Block, Block, NDArray[np.int16]]

KAPPA = 3.0
"""Standard deviations; common practice, and what astropy.stats.sigma_clip does by default."""
CLIP_ROUNDS = 5
"""What astropy.stats.sigma_clip does by default."""
STEEPNESS = 0.25
"""Share of the local contrast by which a good sample may be off: registration and seeing."""
TUKEY, HUBER = 4.685, 1.345
"""Standard deviations; 95 % of the mean's efficiency for Gaussian noise (Holland & Welsch 1977)."""
SETTLING = (1.5, 1.134, 5e-4, 50)
"""Winsorising: bound in deviations, the factor that makes the deviation of Gaussian samples so
bounded right (1/√0.778), tolerance, most rounds."""
ESTIMATE_ROUNDS = 30
"""Most rounds of a robust estimate."""


@dataclass(frozen=True)
class Samples:
    """A block: the samples of N frames at the same P places."""

    values: Block
    """(N, P), ADU, NaN where a frame has nothing."""
    variances: Block
    """(N, P), ADU², noise of each value."""
    weights: Block
    """(N,), of the frames, >= 0."""
    contrast: Block
    """(P,), ADU: range of the picture over the neighbouring places in a first stack; 0 where
    unknown."""

    def __post_init__(self) -> None:
        frames, places = self.values.shape
        shapes = (self.variances.shape, self.weights.shape, self.contrast.shape)
        if shapes != ((frames, places), (frames,), (places,)):
            raise ValueError(f"values {(frames, places)} do not go with {shapes}")


@dataclass(frozen=True)
class Parameter:
    """A number that a method takes: its default, and its inclusive range."""

    name: str
    default: float
    low: float
    high: float
    purpose: str


@dataclass(frozen=True)
class Method:
    """A way to combine samples: its name, what it is for, and the function.

    ``function(samples)`` takes the defaults of ``parameters``; ``with_parameters`` binds others.
    ``needs_noise``: whether the value, and not only its variance, depends on the variances;
    ``rejects``: whether it leaves samples out.
    """

    name: str
    purpose: str
    function: Callable[..., Combined]
    parameters: tuple[Parameter, ...] = ()
    needs_noise: bool = False
    rejects: bool = False


def mean(samples: Samples) -> Combined:
    """Σ w·v / Σ w over the samples that exist: least noise, no rejection."""
    return _run(kernels.mean, samples)


def median(samples: Samples) -> Combined:
    """Middle value (mean of the two middle ones): robust from three frames on.

    Every frame has one vote, whatever its weight.  Variance: of the median of n Gaussian samples,
    times a typical variance, which moves from the mean one (n = 2) to the square of the harmonic
    mean of the standard deviations (n → ∞: π/2 · n / (Σ 1/σ)²).
    """
    frames = len(samples.values)
    return _run(kernels.median, samples, sorting_network(frames), median_variances(frames))


def maximum(samples: Samples) -> Combined:
    """Largest value: what was there in any frame.  Whatever the weights.

    Variance: of the largest of n Gaussian samples, for unequal variances with a typical one that
    leans towards the noisiest frames the more of them there are (0.96 · ln(n/2), fitted; within 5 %
    for standard deviations up to 1 : 2).  The largest of n samples lies above their mean.
    """
    expected = extreme_variances(len(samples.values))
    return _run(kernels.extreme, samples, np.float32(1), expected)


def minimum(samples: Samples) -> Combined:
    """Smallest value: what was there in every frame.  The variance is as for the largest."""
    expected = extreme_variances(len(samples.values))
    return _run(kernels.extreme, samples, np.float32(-1), expected)


def sigma_clip(samples: Samples, *, kappa: float = KAPPA) -> Combined:
    """Mean of what lies within ``kappa`` standard deviations of the median, iterated.

    The standard deviation is the population's, as in astropy: of N values one apart from all others
    lies at most N/√(N-1) of them from the median, so that 3 rejects nothing up to seven frames.
    (From the mean, in sample standard deviations, it is (N-1)/√N, and ten: Shiffler 1988.)
    """
    return _with_inflation(_sigma_clip, samples, kappa=kappa)


def winsorised(samples: Samples, *, kappa: float = KAPPA) -> Combined:
    """Mean of what lies within ``kappa`` winsorised standard deviations of the median.

    Samples beyond 1.5 σ of the median are brought in to 1.5 σ, and σ is 1.134 times the sample
    standard deviation of the result, again until it stays; the first σ is that of all samples.
    (Winsorising by a robust scale: Huber 1981, Robust Statistics, 1.7 and 6.4; Wilcox 2012,
    Introduction to Robust Estimation and Hypothesis Testing, 3.3.)  Up to three are all kept: of
    three the deviation stays with the one that is off (0.98 of it remains in each round).
    """
    return _with_inflation(_winsorised, samples, kappa=kappa)


def noise_model(
    samples: Samples, *, kappa: float = KAPPA, steepness: float = STEEPNESS
) -> Combined:
    """Mean of what lies within ``kappa`` deviations that the noise explains; from three frames on.

    The deviation is √(own variance + variance of the centre + (``steepness`` · contrast)²).  The
    centre is the median at first (its variance that of the median of the others), then the weighted
    mean of what was kept; all samples are judged again by it.  Where no sample lies at the centre
    (two camps of equal size) all are kept; so are fewer than three.
    """
    return _with_inflation(_noise_model, samples, kappa=kappa, steepness=steepness)


def tukey(samples: Samples, *, c: float = TUKEY, steepness: float = STEEPNESS) -> Combined:
    """Tukey's biweight: samples count the less the farther off they are, and not at all from ``c``
    of their own standard deviations on.

    Beaton & Tukey 1974, Technometrics 16:147.  The standard deviation is √(own variance +
    (``steepness`` · contrast)²); from the median, by iterated weighting.  Where no sample is within
    reach of the median (two camps of equal size) all count alike; so do fewer than three.
    """
    return _with_inflation(_tukey, samples, c=c, steepness=steepness)


def huber(samples: Samples, *, c: float = HUBER, steepness: float = STEEPNESS) -> Combined:
    """Huber's estimator: from ``c`` of its standard deviations on a sample pulls no harder.

    Huber 1964, Annals of Mathematical Statistics 35:73.  Standard deviations as for Tukey's; fewer
    than three all count alike.
    """
    return _with_inflation(_huber, samples, c=c, steepness=steepness)


_KAPPA = Parameter("kappa", KAPPA, 1.0, 20.0, "standard deviations beyond which is rejected")


def _c(default: float, low: float, purpose: str) -> Parameter:
    return Parameter("c", default, low, 50.0, purpose)


_STEEPNESS = Parameter(
    "steepness", STEEPNESS, 0.0, 2.0, "share of the local contrast that a good sample may be off by"
)

METHODS = {
    method.name: method
    for method in (
        Method("mean", "least noise when nothing crosses the frames", mean),
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
            "rejects trails in a middling number of frames, their noise unknown",
            winsorised,
            (_KAPPA,),
            rejects=True,
        ),
        Method(
            "noise-model",
            "rejects what the noise of a sample does not explain, from three frames on",
            noise_model,
            (_KAPPA, _STEEPNESS),
            needs_noise=True,
            rejects=True,
        ),
        Method(
            "tukey",
            "weighs down what is off, gently, and nothing of what is far off remains",
            tukey,
            (_c(TUKEY, 2.0, "standard deviations beyond which nothing counts"), _STEEPNESS),
            needs_noise=True,
            rejects=True,
        ),
        Method(
            "huber",
            "weighs down what is off, gently",
            huber,
            (_c(HUBER, 0.2, "standard deviations beyond which none pulls harder"), _STEEPNESS),
            needs_noise=True,
        ),
        Method("maximum", "what was there in any frame: trails of stars, meteors", maximum),
        Method("minimum", "what was there in every frame", minimum),
    )
}


def method_named(name: str, besides: Iterable[str] = ()) -> Method:
    """The entry of the table; ``UsageError`` names those there are.

    ``besides``: what else there is to choose.
    """
    if name in METHODS:
        return METHODS[name]
    known = (*besides, *METHODS)
    raise UsageError(
        f"There is no method “{name}”.{_meant(name, known)} Choose one of: {', '.join(known)}."
    )


def with_parameters(method: Method, given: Mapping[str, float]) -> Method:
    """The method with other parameters; ``UsageError`` for a name or number it does not take."""
    known = {parameter.name: parameter for parameter in method.parameters}
    for name, number in given.items():
        if name not in known:
            raise UsageError(_no_parameter(method, name))
        low, high = known[name].low, known[name].high
        if not (math.isfinite(number) and low <= number <= high):
            raise UsageError(
                f"“{name}” of the method “{method.name}” goes from {low:g} to {high:g}; "
                f"{number:g} is not in between."
            )
    bound = {name: float(number) for name, number in given.items()}
    return replace(
        method,
        function=partial(method.function, **bound),
        parameters=tuple(
            replace(p, default=bound.get(p.name, p.default)) for p in method.parameters
        ),
    )


def _no_parameter(method: Method, name: str) -> str:
    names = [parameter.name for parameter in method.parameters]
    if not names:
        return f"The method “{method.name}” takes no parameters, so no “{name}” either."
    return (
        f"The method “{method.name}” has no parameter “{name}”.{_meant(name, names)} "
        f"It takes: {', '.join(names)}."
    )


def _meant(name: str, known: Iterable[str]) -> str:
    near = difflib.get_close_matches(name.lower(), list(known), n=1)
    return f" Did you mean “{near[0]}”?" if near else ""


# Running a kernel


def _run(kernel: Callable[..., None], samples: Samples, *rest: Any) -> Combined:
    places = samples.values.shape[1]
    out = (
        np.full(places, np.nan, np.float32),
        np.full(places, np.nan, np.float32),
        np.zeros(places, np.int16),
    )
    kernel(*_plain(samples), *rest, *out)
    return out


def _plain(samples: Samples) -> tuple[Block, Block, Block]:
    given = (samples.values, samples.variances, samples.weights)
    values, variances, weights = (np.ascontiguousarray(a, dtype=np.float32) for a in given)
    return values, variances, weights


def _contrast(samples: Samples) -> Block:
    return np.ascontiguousarray(samples.contrast, dtype=np.float32)


def _sigma_clip(samples: Samples, inflation: Block, kappa: float) -> Combined:
    network = sorting_network(len(samples.values))
    return _run(kernels.sigma_clip, samples, kappa, CLIP_ROUNDS, inflation, network)


def _winsorised(samples: Samples, inflation: Block, kappa: float) -> Combined:
    network = sorting_network(len(samples.values))
    return _run(kernels.winsorised, samples, kappa, SETTLING, inflation, network)


def _noise_model(samples: Samples, inflation: Block, kappa: float, steepness: float) -> Combined:
    frames = len(samples.values)
    known = (median_variances(frames), inflation, sorting_network(frames))
    return _run(noise_kernels.noise_model, samples, _contrast(samples), kappa, steepness, *known)


def _tukey(samples: Samples, inflation: Block, c: float, steepness: float) -> Combined:
    rest = (ESTIMATE_ROUNDS, inflation, sorting_network(len(samples.values)))
    return _run(noise_kernels.tukey, samples, _contrast(samples), c, steepness, *rest)


def _huber(samples: Samples, inflation: Block, c: float, steepness: float) -> Combined:
    rest = (ESTIMATE_ROUNDS, inflation, sorting_network(len(samples.values)))
    return _run(noise_kernels.huber, samples, _contrast(samples), c, steepness, *rest)


# The price of robustness

_SIZES = (*range(1, 13), 16, 24, 32, 48, 64, 96, 128, 192, 256)
_TRIALS = 8192
"""Places on which the cost of rejecting good samples is tried."""


def _with_inflation(
    run: Callable[..., Combined], samples: Samples, **parameters: float
) -> Combined:
    inflation = _inflation(run, tuple(parameters.items()), len(samples.values))
    # A copy, since a loop would be compiled once more for an array that may not be written to.
    return run(samples, inflation.copy(), **parameters)


@lru_cache(maxsize=256)
def _inflation(
    run: Callable[..., Combined], parameters: tuple[tuple[str, float], ...], most: int
) -> Block:
    """Ratio of the result's noise to the noise of the samples kept (most + 1,), for 0 to ``most``
    Gaussian samples: rejecting good samples costs more than their share.

    No formula holds from one sample on for all parameters, so it is simulated, on few places only:
    an estimate less the mean does not depend on the mean (Basu 1955, Sankhyā 15:377), so that its
    variance is 1/n plus that of the small difference.  Between and beyond the sizes tried it is
    interpolated in 1/n.
    """
    largest = next((size for size in _SIZES if size >= most), _SIZES[-1])
    sizes = [size for size in _SIZES if size <= largest]
    tried = [_tried(run, dict(parameters), size) for size in sizes]
    wanted = 1 / np.maximum(np.arange(most + 1), 1)
    inflation = np.interp(-wanted, -1 / np.array(sizes), tried).astype(np.float32)
    inflation.setflags(write=False)
    return inflation


def _tried(run: Callable[..., Combined], parameters: Mapping[str, float], frames: int) -> float:
    noise = np.random.default_rng(frames).standard_normal((frames, _TRIALS)).astype(np.float32)
    ones, none = np.ones(frames, np.float32), np.zeros(_TRIALS, np.float32)
    samples = Samples(noise, np.ones_like(noise), ones, none)
    value, variance, _ = run(samples, np.ones(frames + 1, np.float32), **parameters)
    scatter = 1 / frames + np.var(value - noise.mean(axis=0), dtype=np.float64)
    return float(scatter / np.mean(variance, dtype=np.float64))
