"""Masters as FITS (standard 4.0): the value, its variance, and a header in plain words."""

from __future__ import annotations

import io
import warnings
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from stackkit.calibration.masters import Master, Setting
from stackkit.errors import InputError, OutputError
from stackkit.run.files import ascii_text, replacing
from stackkit.session.folder_kinds import Kind

if TYPE_CHECKING:
    from astropy.io import fits

SCHEMA = "stackkit-master/1"
"""Raised when an older reader would be misled."""

_SAYS = {
    Kind.DARK: "Signal without light, ADU above the black level of the raw files.",
    Kind.BIAS: "Signal without light or time, ADU above the black level of the raw files.",
    Kind.FLAT: "Relative response of each site; 1 in the middle of the field.",
}


def write_master(path: Path, master: Master, force: bool = False) -> None:
    """Write ``master`` to ``path``: primary HDU the value (H, W), extension VARIANCE.

    The same master gives the same bytes.  Raises ``OutputError`` when there is a file of that name
    and ``force`` is not given, or the disk refuses.
    """
    from astropy.io import fits  # a quarter second, which a run without masters need not wait for

    if path.exists() and not force:
        raise OutputError(f"{path} is there already. Give --force to replace it.")
    unit = "adu" if master.kind is not Kind.FLAT else None
    value = fits.PrimaryHDU(_plain(master.value), _header(master))
    variance = fits.ImageHDU(_plain(master.variance), name="VARIANCE")
    if unit:
        value.header["BUNIT"] = unit
        variance.header["BUNIT"] = f"{unit}**2"
    memory = io.BytesIO()
    fits.HDUList([value, variance]).writeto(memory, output_verify="exception")
    with replacing(path) as temporary:
        temporary.write_bytes(memory.getbuffer())


def _plain(plane: NDArray[np.float32]) -> NDArray[np.float32]:
    """A copy that astropy may byte-swap."""
    return np.array(plane, dtype=np.float32)


def _header(master: Master) -> fits.Header:
    from astropy.io import fits

    own = master.setting
    header = fits.Header()
    header["MASTER"] = (SCHEMA, "what this file is, and its version")
    header["KIND"] = (str(master.kind), "dark, flat or bias")
    header["NFRAMES"] = (master.count, "frames in it")
    header["CFA"] = ("".join("RGB"[c] for c in own.pattern), "colours of the top left sites, rows")
    if own.camera:
        # Not INSTRUME: a long name is continued, which reserved keywords do not allow.
        # A trailing & means that the string continues (FITS 4.0, section 4.2.1.2).
        plain = own.camera.replace("\\", "\\\\").replace("&", "\\x26")
        header["CAMERA"] = ascii_text(plain)
    if own.iso is not None:
        header["ISO"] = (own.iso, "sensitivity set on the camera")
    if own.exposure is not None:
        header["EXPTIME"] = (own.exposure, "[s] of each frame")
    header["COMMENT"] = _SAYS[master.kind]
    header["COMMENT"] = "NaN where it is not known. VARIANCE is that of the value."
    header["COMMENT"] = "Row 1 of the data is the top row of the sensor picture."
    return header


def read_master(path: Path) -> Master:
    """The master in ``path``.

    Raises ``InputError`` when it cannot be read, is no master, is of another version, or damaged.
    """
    from astropy.io import fits

    try:
        data = path.read_bytes()
    except FileNotFoundError as error:
        raise InputError(f"There is no file {path}. Check the name.") from error
    except OSError as error:
        raise InputError(f"Cannot read {path}: {error.strerror or error}.") from error
    try:
        # What is cut short is said below, not by astropy's warning.
        with (
            warnings.catch_warnings(action="ignore"),
            fits.open(io.BytesIO(data), memmap=False) as file,
        ):
            _check_version(path, file[0].header)
            return _master(file)
    except InputError:
        raise
    # Damaged files raise anything.
    except Exception as error:
        if not data.startswith(b"SIMPLE"):
            raise _not_ours(path) from error
        raise InputError(f"{path}: damaged or cut short. Make the master again.") from error


def _not_ours(path: Path) -> InputError:
    return InputError(
        f"{path} isn't a master made by stackkit. Make one with: stackkit masters FOLDER --out DIR"
    )


def _check_version(path: Path, header: fits.Header) -> None:
    said = str(header.get("MASTER", ""))
    if not said.startswith(SCHEMA.split("/")[0] + "/"):
        raise _not_ours(path)
    if said != SCHEMA:
        raise InputError(
            f"{path} is a master of another version ({said}; this program reads {SCHEMA}). Make "
            "the master again."
        )


def _master(file: fits.HDUList) -> Master:
    """Raises anything when the file does not hold what its header promises."""
    header = file[0].header
    planes = [np.array(hdu.data, dtype=np.float32) for hdu in (file[0], file["VARIANCE"])]
    red, green, blue, last = ("RGB".index(letter) for letter in header["CFA"])
    camera = header.get("CAMERA")
    setting = Setting(
        camera=None if camera is None else _unescaped(str(camera)),
        iso=header.get("ISO"),
        exposure=header.get("EXPTIME"),
        pattern=(red, green, blue, last),
    )
    if planes[0].ndim != 2 or planes[0].shape != planes[1].shape:
        raise ValueError("planes that do not fit each other")
    if np.nanmin(planes[1], initial=0.0) < 0 or not np.isfinite(planes[0]).any():
        raise ValueError("figures that cannot be")
    return Master(Kind(header["KIND"]), planes[0], planes[1], int(header["NFRAMES"]), setting)


def _unescaped(text: str) -> str:
    return text.encode("ascii", "replace").decode("unicode_escape") if "\\" in text else text
