"""Metadata of the session in a picture file: EXIF 2.32 (CIPA DC-008) and XMP (ISO 16684-1)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any
from xml.etree import ElementTree as Xml

from stackkit.output.tiff_container import ASCII, BYTE, RATIONAL, SHORT, UNDEFINED, Tags
from stackkit.schemas.run import RunRecord

_COMPOSITE = 2
"""EXIF 2.32, CompositeImage: combined from several pictures after they were taken."""
_SPACES = {
    "rdf": "http://www.w3.org/1999/02/22-rdf-syntax-ns#",
    "x": "adobe:ns:meta/",
    "dc": "http://purl.org/dc/elements/1.1/",
    "xmp": "http://ns.adobe.com/xap/1.0/",
    "stackkit": "urn:stackkit:xmp:1.0:",
}


@dataclass(frozen=True)
class About:
    """Metadata of a session: ``begin`` and ``end`` of its used exposures, UTC, None without a
    clock; ``total_s`` exposure, None where one is unknown; numbers of frames; ``place`` latitude
    and longitude, degrees, only if asked for.
    """

    camera: str | None
    begin: datetime | None
    end: datetime | None
    total_s: float | None
    single_s: float | None
    used: int
    given: int
    iso: int | None
    focal_mm: float | None
    focal_35mm: float | None
    place: tuple[float, float] | None


def about(record: RunRecord) -> About:
    """From the record of a run."""
    lights = [row for row in record["frames"] if row["role"] == "light"]
    used = [row for row in lights if row["used"]]
    spans = [
        (datetime.fromisoformat(row["time"]), timedelta(seconds=(row["exposure_s"] or 0) / 2))
        for row in used
        if row["time"]
    ]
    exposures = [seconds for row in used if (seconds := row["exposure_s"])]
    settings = {row["iso"] for row in used}
    camera, place = record["camera"], record["place"]
    own = [row for row in used if row["file"] == record["reference"]]
    return About(
        camera=camera["name"],
        begin=min((middle - half for middle, half in spans), default=None),
        end=max((middle + half for middle, half in spans), default=None),
        total_s=float(sum(exposures)) if used and len(exposures) == len(used) else None,
        single_s=own[0]["exposure_s"] if own else None,
        used=len(used),
        given=len(lights),
        iso=settings.pop() if len(settings) == 1 else None,
        focal_mm=camera["focal_mm"],
        focal_35mm=camera["focal_35mm"],
        place=(place["latitude"], place["longitude"]) if place else None,
    )


def exif_tags(told: About) -> Tags:
    """The EXIF directory.  The exposure is the total."""
    tags: dict[int, tuple[int, Any]] = {
        36864: (UNDEFINED, b"0232"),
        42080: (SHORT, _COMPOSITE),
        42081: (SHORT, (min(told.given, 65535), min(told.used, 65535))),
    }
    if told.total_s:
        tags[33434] = (RATIONAL, told.total_s)
    if told.iso and told.iso < 65535:
        tags[34855] = (SHORT, told.iso)
    if told.begin:
        time = told.begin.astimezone(UTC)
        tags[36867] = (ASCII, time.strftime("%Y:%m:%d %H:%M:%S"))
        tags[36881] = (ASCII, "+00:00")
        tags[37521] = (ASCII, f"{time.microsecond // 1000:03d}")
    if told.focal_mm:
        tags[37386] = (RATIONAL, told.focal_mm)
    if told.focal_35mm:
        tags[41989] = (SHORT, round(told.focal_35mm))
    return tags


def gps_tags(place: tuple[float, float] | None) -> Tags | None:
    """The GPS directory (4.6.6): degrees, minutes and seconds, and the letter of the hemisphere."""
    if place is None:
        return None
    tags: dict[int, tuple[int, Any]] = {0: (BYTE, (2, 3, 0, 0))}
    for number, value, sides in ((1, place[0], "NS"), (3, place[1], "EW")):
        minutes = abs(value) % 1 * 60
        tags[number] = (ASCII, sides[value < 0])
        tags[number + 1] = (RATIONAL, (int(abs(value)), int(minutes), minutes % 1 * 60))
    return tags


def xmp(told: About, description: str, figures: Mapping[str, float | str]) -> bytes:
    """A packet with the session's times and totals, and ``figures`` of the file by name."""
    for prefix, uri in _SPACES.items():
        Xml.register_namespace(prefix, uri)
    root = Xml.Element(_name("x", "xmpmeta"))
    node = Xml.SubElement(Xml.SubElement(root, _name("rdf", "RDF")), _name("rdf", "Description"))
    node.set(_name("rdf", "about"), "")
    said: dict[str, Any] = {"framesUsed": told.used, "framesGiven": told.given, **figures}
    said |= {"totalExposureSeconds": told.total_s, "exposureSeconds": told.single_s}
    said |= {"begin": _iso(told.begin), "end": _iso(told.end), "camera": told.camera}
    for key, value in said.items():
        if value is not None:
            node.set(_name("stackkit", key), f"{value:.9g}" if _is_number(value) else str(value))
    node.set(_name("xmp", "CreatorTool"), "stackkit")
    if told.begin:
        node.set(_name("xmp", "CreateDate"), _iso(told.begin) or "")
    words = Xml.SubElement(Xml.SubElement(node, _name("dc", "description")), _name("rdf", "Alt"))
    line = Xml.SubElement(words, _name("rdf", "li"))
    line.set("{http://www.w3.org/XML/1998/namespace}lang", "x-default")
    line.text = description
    head = '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>'
    return f'{head}{Xml.tostring(root, encoding="unicode")}<?xpacket end="r"?>'.encode()


def _name(space: str, name: str) -> str:
    return f"{{{_SPACES[space]}}}{name}"


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float)


def _iso(time: datetime | None) -> str | None:
    return time.astimezone(UTC).isoformat(timespec="milliseconds") if time else None


def session_words(told: About) -> str:
    """The session in one sentence, in ASCII."""
    sums = f", {told.total_s:g} s total exposure" if told.total_s else ""
    noun = "exposure" if told.used == 1 else "exposures"
    return f"Mean of {told.used} {noun}{sums}."


def plain_ascii(words: str | None) -> str | None:
    """For ASCII-only fields; other characters become question marks."""
    return words.encode("ascii", "replace").decode("ascii") if words else None
