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
    """The camera, from the reference frame's file."""

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
    """A master or a calibration frame that the run examined."""

    file: str
    """Its path, as given or found."""
    sha256: Digest | None
    """SHA-256 of its bytes; null where it could not be read again."""


class OpcodeRecord(TypedDict):
    """A correction that the reference's file asks for (a DNG opcode)."""

    list: Annotated[int, Meta(ge=1, le=3)]
    """Number of the opcode list."""
    name: str
    """The specification's name."""
    what: str
    """What was done about it."""
    lacking: bool
    """Whether the file requires it and it was not done."""


class NoiseRecord(TypedDict):
    """Noise of a single sample (EMVA 1288)."""

    gain_e_adu: float | None
    """Electrons per ADU."""
    gain_error_e_adu: float | None
    """Its standard error, where it was measured."""
    read_noise_e: float | None
    """Read noise in electrons, without the rounding to whole codes."""
    source: str
    """Where the figures come from."""
    denoised: bool
    """Whether the files were smoothed before they were written."""


class CalibrationRecord(TypedDict):
    """How the samples were calibrated before star detection."""

    form: FormName
    """How raw the frames are."""
    masters: list[str]
    """Which darks, flats and biases were used and how, which were not and why; sentences."""
    files: list[UsedFileRecord]
    """Masters and calibration frames that were examined."""
    opcodes: list[OpcodeRecord]
    """The corrections that the reference's file asks for (DNG opcode lists), and what was done
    about each."""
    remarks: list[str]
    """Other peculiarities of the files, each once."""
    noise: NoiseRecord
    banding_adu: NonNegative
    """Scatter of the row offsets that were subtracted, ADU, typical frame; 0 where there were
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
    """Record of a run: the input, what was decided for every file and why, the result.

    A missing figure is null, never a guess. Numbers that are infinite or undefined are null.
    """

    schema: Literal["stackkit-run/5"]
    """Name and version of this shape."""
    stackkit: str
    """Version of stackkit that wrote the record."""
    versions: dict[str, str]
    """Versions by name: Python, the libraries that affect the result, the kind of
    machine."""
    options: dict[str, Any]
    """The settings of the run by the names of the command's options, including defaults; paths are
    the folders and files that were given."""
    reference: str | None
    """File name of the reference frame, whose pixel grid and ADU the stack uses; null when there is
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
    """The events of the night, in time order."""
    advice: list[Text]
    """What to do differently next time, from the measurements, a sentence or two each."""
    warnings: list[str]
    """Warnings of a run that finished, a sentence each."""
