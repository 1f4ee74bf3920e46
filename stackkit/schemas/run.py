"""The record of a run, ``run.json``."""

from __future__ import annotations

from typing import Annotated, Any, Literal, TypedDict

from msgspec import Meta

from stackkit.schemas.fields import (
    BayerPattern,
    Digest,
    FormName,
    Four,
    Latitude,
    Longitude,
    NonNegative,
    Positive,
    Text,
    Three,
)
from stackkit.schemas.frames import REASONED, FrameRecord, SessionRecord
from stackkit.schemas.geometry import GeometryRecord
from stackkit.schemas.picture import (
    ColourRecord,
    EditingRecord,
    GradientRecord,
    IntegrationRecord,
    OutputRecord,
)


class CameraRecord(TypedDict):
    """The camera, as the reference frame's file tells it."""

    name: str | None
    """Maker and model."""
    pattern: BayerPattern | None
    """Colours of the top left 2 x 2 sensor sites, row by row."""
    black: Four | None
    """Black levels in codes of the top left 2 x 2 sensor sites, row by row."""
    white: float | None
    """Code at which the samples clip, black level included."""
    balance: Three | None
    """As-shot white balance: multipliers for R, G, B, green = 1."""
    orientation: Annotated[int, Meta(ge=1, le=8)]
    """EXIF orientation of the sensor picture."""
    focal_mm: Positive | None
    """Focal length in millimetres."""
    focal_35mm: Positive | None
    """Focal length of the same field on 36 x 24 mm, in millimetres."""


class UsedFileRecord(TypedDict):
    """A master or a calibration frame that the run looked at."""

    file: str
    """Its path, as it was given or found."""
    sha256: Digest | None
    """SHA-256 of its bytes; null where it could not be read again."""


class OpcodeRecord(TypedDict):
    """A correction that the reference's file asks for (a DNG opcode)."""

    list: Annotated[int, Meta(ge=1, le=3)]
    """Number of the opcode list."""
    name: str
    """The specification's name."""
    what: str
    """What became of it."""
    lacking: bool
    """Whether the file requires it and it was not done."""


class NoiseRecord(TypedDict):
    """Noise of a single sample (EMVA 1288)."""

    gain_e_adu: float | None
    """Electrons per ADU."""
    gain_error_e_adu: float | None
    """Its standard error, where it was measured."""
    read_noise_e: float | None
    """Read noise in electrons, rounding to whole codes left out."""
    source: str
    """Where the figures come from."""
    denoised: bool
    """Whether the files were smoothed before they were written."""


class CalibrationRecord(TypedDict):
    """What was done to the samples before the stars were sought."""

    form: FormName
    """How raw the frames are."""
    masters: list[str]
    """Sentences: which darks, flats and biases were used and how, which were not and why."""
    files: list[UsedFileRecord]
    """Masters and calibration frames that were looked at."""
    opcodes: list[OpcodeRecord]
    """The corrections that the reference's file asks for (DNG opcode lists), and what became of
    each."""
    remarks: list[str]
    """What else is odd about the files' pictures, each once."""
    noise: NoiseRecord
    banding_adu: NonNegative
    """Scatter of the rows' own offsets that were taken off, ADU, typical frame; 0 where there were
    none."""


class LocationRecord(TypedDict):
    """Where the frames were taken; null unless it was asked for."""

    latitude: Latitude
    """Degrees, north positive."""
    longitude: Longitude
    """Degrees, east positive."""
    height: float | None
    """Metres above the sea."""


class EventRecord(TypedDict):
    """Something that happened that night."""

    time: str | None
    """When it began, ISO 8601, UTC; null where times are missing."""
    first: str
    """The first frame concerned."""
    last: str
    """The last one."""
    frames: Annotated[int, Meta(ge=1)]
    """How many frames it concerns."""
    text: Text
    """What happened, in words."""


class RunRecord(TypedDict):
    """Record of a run: what went in, what was decided for every file and why, what came out.

    A missing figure is null, never a guess. Numbers that are infinite or undefined are null.
    """

    schema: Literal["stackkit-run/5"]
    """Name and version of this shape."""
    stackkit: str
    """Version of stackkit that wrote the record."""
    versions: dict[str, str]
    """What it ran on, by name: Python, the libraries that have a say in the result, the kind of
    machine."""
    options: dict[str, Any]
    """The settings of the run by the names of the command's options, defaults included; paths are
    the folders and files that were given."""
    reference: str | None
    """File name of the reference frame, whose pixel grid and ADU the stack has; null when there is
    none."""
    frames: list[Annotated[FrameRecord, REASONED]]
    """Every file of the folder, in time order."""
    sessions: list[SessionRecord]
    """The sessions that were found, in time order."""
    camera: CameraRecord
    calibration: CalibrationRecord
    place: LocationRecord | None
    geometry: GeometryRecord
    integration: IntegrationRecord
    colour: ColourRecord | None
    gradient: GradientRecord | None
    editing: EditingRecord | None
    output: OutputRecord
    story: list[EventRecord]
    """What happened that night, in time order."""
    advice: list[Text]
    """What to do differently next time, from what was measured, a sentence or two each."""
    warnings: list[str]
    """What the person should know although the run went through, a sentence each."""
