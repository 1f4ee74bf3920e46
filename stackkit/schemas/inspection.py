"""The record that ``inspect --json`` prints."""

from __future__ import annotations

from typing import Annotated, Literal, TypedDict

from msgspec import Meta

from stackkit.schemas.fields import BayerPattern, Count, FormName, Four, Share, ThreeOrNone

PurposeName = Literal["light", "short exposure", "dark", "flat", "bias", "other"]


class FrameFiguresRecord(TypedDict):
    """Measurements of one file; null where it was not measured."""

    highest_code: int | None
    """Highest code in the picture."""
    level: ThreeOrNone | None
    """Typical level of R, G, B above black as a share of the range from black to white; null when
    not measured."""
    clipped: Share | None
    """Share of the samples that are clipped."""
    stars: Count | None
    """Number of stars detected, at most a thousand; null when not measured."""
    fwhm_px: float | None
    """Typical FWHM of the stars, px."""
    elongation: float | None
    """Typical elongation of the stars, 0 (round) to 1."""
    matched: int | None
    """Stars matched with the reference frame."""
    transparency: float | None
    """Light of the stars over that of the same stars in the reference frame."""


class InspectedFileRecord(FrameFiguresRecord):
    """One file."""

    file: str
    """Name of the file."""
    folder: str
    """Its folder, as given."""
    kind: PurposeName
    """What it is for, by its folder's name and its exposure: short exposures are taken in daylight.
    """
    group: Count | None
    """Number of its group; null when it is not a picture."""
    session: bool
    """Whether it is one of the lights that would be stacked together."""
    fit: bool | None
    """Whether it is fit for its purpose; null when not measured, or not judged (short exposures).
    """
    reason: str
    """Why it is not fit or not with the others, in words; for a short exposure what it is;
    otherwise empty."""
    time: str | None
    """Middle of the exposure, UTC, ISO 8601."""
    time_source: str | None
    """Where the time comes from and what is missing in it."""
    place: bool
    """Whether the file carries the place where it was taken. The place itself is never in this
    record."""


class RequestedOpcodeRecord(TypedDict):
    """Identical opcodes that the files contain."""

    list: Annotated[int, Meta(ge=1, le=3)]
    """Number of the opcode list (1 to 3)."""
    name: str
    """Name in the DNG specification, or number."""
    count: Annotated[int, Meta(ge=1)]
    """How many of them there are."""
    what: str
    """What is done about it, in words."""
    lacking: bool
    """Whether the file requires it and it is not done."""


class MeasuredNoiseRecord(TypedDict):
    """Noise of a sample; null when not measured."""

    slope: float
    """Variance in ADU² per ADU of signal: variance = slope * signal + floor."""
    floor_adu2: float
    """Variance without light, ADU squared."""
    gain: float | None
    """Electrons per ADU (EMVA Standard 1288: 1/K); null when it cannot be measured."""
    gain_error: float | None
    """Standard error of the gain; null when it was not measured."""
    read_noise_e: float | None
    """Read noise in electrons, without the rounding."""
    read_noise_error_e: float | None
    """Standard error of the read noise, electrons."""
    read_noise_adu: float
    """Square root of the floor, ADU."""
    denoised: bool
    """Whether neighbours share noise: the raw was smoothed before it was written."""
    source: str
    """Where the figures come from, in words."""


class SettingsRecord(TypedDict):
    """How the pictures of a group were taken."""

    camera: str | None
    """Maker and model."""
    lens: str | None
    """Lens."""
    software: str | None
    """Program that wrote the file."""
    exposure_s: float | None
    """Exposure in seconds."""
    iso: int | None
    """ISO setting."""
    f_number: float | None
    """Aperture number."""
    focal_mm: float | None
    """Focal length in millimetres."""
    focal_35mm: float | None
    """Focal length as an equivalent for 36 x 24 mm, millimetres."""
    orientation: Annotated[int, Meta(ge=1, le=8)]
    """EXIF orientation."""


class CodesRecord(TypedDict):
    """Codes and levels of a group, over all its frames."""

    pattern: BayerPattern | None
    """Colours of the top left 2 x 2 sites, row by row."""
    black: Four | None
    """Black levels in codes of these sites."""
    black_varies: bool | None
    """Whether black differs between rows, columns or in a larger pattern."""
    white: float | None
    """Code at which samples clip, after the file's linearisation."""
    bits_used: int | None
    """Bits needed for white, counted in steps between the codes that occur."""
    code_step: int | None
    """Step between the codes that occur: 4 where 12 bits are written as 14."""
    lowest_code: int | None
    """Lowest code that occurs."""
    highest_code: int | None
    """Highest code that occurs."""
    level: ThreeOrNone | None
    """Typical level of R, G, B above black as a share of the range from black to white; null when
    not measured."""
    clipped: Share | None
    """Share of the samples that are clipped, in the median frame."""
    stars: float | None
    """Number of stars in the median frame."""
    fwhm_px: float | None
    """FWHM of the stars in the median frame, px."""
    elongation: float | None
    """Elongation of the stars in the median frame."""


class SensorRecord(TypedDict):
    """The sensor, as measured from a group's frames."""

    opcodes: list[RequestedOpcodeRecord]
    """DNG opcodes that the files contain, and what is done about them."""
    defects: Count | None
    """Hot, cold and dead pixels that stand out clearly (by 12 standard deviations); null when they
    cannot be found from these frames."""
    looked_at: Count
    """Number of frames from which defects and noise were measured."""
    noise: MeasuredNoiseRecord | None
    dark_noise_adu: float | None
    """Scatter of the samples of darks or biases from frame to frame, ADU: the read noise. Null for
    other frames, and for a single one."""


class GroupRecord(SettingsRecord, CodesRecord, SensorRecord):
    """Pictures of one purpose, form, camera, size, ISO and exposure."""

    kind: PurposeName
    """What it is for, by its folder's name and its exposure: short exposures are taken in daylight.
    """
    files: list[Count]
    """Numbers of its files, in order."""
    form: FormName
    """How raw the files are."""
    width: int | None
    """Width of the visible mosaic, px."""
    height: int | None
    """Height of the visible mosaic, px."""
    bits_stored: int | None
    """Bits per stored sample."""
    sky_noise_share: float | None
    """Noise of the green sky over what it would be without read noise."""
    trail_px: float | None
    """How far the stars move during an exposure, px."""
    remarks: list[str]
    """Remarks on these files, in words."""
    advice: list[str]
    """What to do better next time, in sentences."""


class GapRecord(TypedDict):
    """A pause between two frames."""

    after: Count
    """Number of the file after which it happened."""
    seconds: float
    """Time to the next frame, s."""


class JumpRecord(TypedDict):
    """A movement of the camera between two frames."""

    after: Count
    """Number of the file after which it happened."""
    px: float
    """By how much, px."""


class FoundSessionRecord(TypedDict):
    """The lights that belong together; null when there are none."""

    files: list[Count]
    """Numbers of the lights that would be stacked together, in time order."""
    first: str | None
    """Middle of the first exposure, UTC, ISO 8601."""
    last: str | None
    """Middle of the last exposure."""
    cadence_s: float | None
    """Usual time from one frame to the next, s."""
    gaps: list[GapRecord]
    """Where the time to the next frame was clearly longer."""
    drift_px_s: float | None
    """Speed of the stars across the picture, px/s."""
    rate_arcsec_s: float | None
    """Rate of sky rotation, arc seconds a second; the Earth's is 15.04."""
    turn_deg: float | None
    """Sky rotation from the first to the last frame that could be placed, degrees."""
    jumps: list[JumpRecord]
    """Where the camera moved."""
    starless: Share | None
    """Share of the picture in which no frame has a moving star: foreground, or persistent cloud.
    Null when there are too few stars."""
    remarks: list[str]
    """Remarks on the session, in sentences."""


class VerdictRecord(TypedDict):
    """How many files of one purpose are fit for it."""

    kind: PurposeName
    """What it is for, by its folder's name and its exposure: short exposures are taken in daylight.
    """
    count: Annotated[int, Meta(ge=1)]
    """Files of this kind."""
    read: Count | None
    """How many of them could be read; null when not measured."""
    fit: Count | None
    """How many are fit for their purpose; null when not measured or not judged."""
    unfit_files: list[Count]
    """Numbers of those that are not fit; their rows give the reasons."""


class InspectionRecord(TypedDict):
    """Files, groups of files taken alike, their session, and verdicts.

    Numbers of files and groups count from 0 in the lists of this record. A missing figure is
    null, never a guess.
    """

    schema: Literal["stackkit-inspect/1"]
    """Name and version of this shape."""
    stackkit: str
    """Version of stackkit that wrote the record."""
    measured: bool
    """False when only the headers were read (--quick)."""
    files: list[InspectedFileRecord]
    """Every file: the lights of the session in time order, then the others."""
    groups: list[GroupRecord]
    """Pictures of one purpose, form, camera, size, ISO and exposure."""
    session: FoundSessionRecord | None
    verdicts: list[VerdictRecord]
    """For each purpose, how many files are fit for it."""
