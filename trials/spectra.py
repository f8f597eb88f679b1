"""Reflectance spectra of an instrument turned into CIELAB.

Spectra at 10 nm become tristimulus values by ASTM E308, with weights made by ASTM E2022; the white of
CIELAB (ISO/CIE 11664-4) is that of the same illuminant, observer and bands.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from trials.csv_source import Row, Table, number
from trials.errors import Problem, UserError

if TYPE_CHECKING:
    from numpy.typing import NDArray

ILLUMINANTS = ("A", "C", "D50", "D55", "D65", "D75", *(f"F{kind}" for kind in range(1, 13)))
"""The illuminants of ASTM E308 (CIE 15)."""
OBSERVERS = {"2": "CIE 1931 2 Degree Standard Observer", "10": "CIE 1964 10 Degree Standard Observer"}
STEP_NM = 10
NEEDED_NM = (400, 700)
"""The bands that must be there."""
USED_NM = (360, 780)
"""The bands ASTM E308 has weights for; others are left out."""
MOST_PER_CENT = 120.0
"""What a sample reflects at most against the perfect diffuser (a gloss or a glow; common practice, no source)."""


@dataclass(frozen=True)
class Read:
    """The CIELAB values of a file of spectra.

    Attributes
    ----------
    lab : L*, a* and b* by the number of the row; rows without a spectrum are left out.
    words : what the spectra were, for the method.
    columns : the columns used.
    """

    lab: dict[int, tuple[float, ...]]
    words: str
    columns: tuple[str, ...]


def lab_of_table(table: Table, bands: Mapping[int, str], illuminant: str, observer: str) -> Read:
    """Return the CIELAB values of a file of spectra.

    Parameters
    ----------
    bands : the columns of the spectrum by wavelength in nm.
    illuminant, observer : one of `ILLUMINANTS` and of `OBSERVERS`.

    Raises
    ------
    UserError
        Illuminant or observer is empty, bands are missing or not 10 nm apart, or a value is none of a
        reflectance (with row and column).
    """
    if not illuminant or not observer:
        what = "it does not say which illuminant and observer the spectra are to be seen with"
        cure = "name the illuminant and the observer, such as --illuminant D65 --observer 10"
        raise UserError(Problem(what, cure, file=table.name))
    used, every = _bands_used(bands, table.name)
    columns = [bands[nm] for nm in used]
    numbers, reflectance, per_cent = _reflectance(table, columns)
    lab = lab_of_spectra(reflectance, used[0], used[-1], illuminant, observer)
    unit = "in per cent" if per_cent else "as a fraction"
    words = f"{used[0]} to {used[-1]} nm at {STEP_NM} nm{every}, reflectance {unit}"
    return Read(dict(zip(numbers, map(tuple, lab.tolist()), strict=True)), words, tuple(columns))


def lab_of_spectra(
    reflectance: NDArray[np.float64], first_nm: int, last_nm: int, illuminant: str, observer: str
) -> NDArray[np.float64]:
    """Return the CIELAB values of reflectance spectra.

    Parameters
    ----------
    reflectance : (n, bands) array, as a fraction, every 10 nm from `first_nm` to `last_nm`.
    illuminant, observer : one of `ILLUMINANTS` and of `OBSERVERS`.

    Returns
    -------
    (n, 3) array
        L*, a* and b*; 100, 0 and 0 for the perfect diffuser.

    Notes
    -----
    XYZ = sum of weight times reflectance, the weights made by ASTM E2022; those of bands beyond the
    measured ones are added to the outermost measured (ASTM E308, section 7, from memory).
    """
    bands = weights(first_nm, last_nm, illuminant, observer)
    colour = _colour()
    white = colour.XYZ_to_xy(bands.sum(axis=0) / 100)
    return np.asarray(colour.XYZ_to_Lab(reflectance @ bands / 100, white), dtype=float)


@lru_cache(maxsize=64)
def weights(first_nm: int, last_nm: int, illuminant: str, observer: str) -> NDArray[np.float64]:
    """Return the (bands, 3) weights for X, Y and Z (ASTM E2022 and E308), Y of the perfect diffuser 100.

    Illuminant A by its formula, the others' tables at 5 nm taken as straight between (both CIE 15). The array
    is shared by all callers.
    """
    colour = _colour()
    whole = colour.SpectralShape(*USED_NM, 1)
    eye = colour.MSDS_CMFS[OBSERVERS[observer]].copy().align(whole)
    if illuminant == "A":
        lamp = colour.sd_CIE_standard_illuminant_A(whole)
    else:
        lamp = colour.SDS_ILLUMINANTS[re.sub(r"^F", "FL", illuminant)].copy().align(whole)
    tens = colour.SpectralShape(*USED_NM, STEP_NM)
    whole_range = colour.colorimetry.tristimulus_weighting_factors_ASTME2022(eye, lamp, tens)
    measured = colour.SpectralShape(first_nm, last_nm, STEP_NM)
    adjusted = colour.colorimetry.adjust_tristimulus_weighting_factors_ASTME308(whole_range, tens, measured)
    found = np.asarray(adjusted, dtype=float)
    found.setflags(write=False)
    return found


def _colour() -> Any:
    """Return the colour library, which is slow to import and tells of packages it could use besides."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=r".*related API features.*are not available")
        import colour
        import colour.colorimetry
    return colour


def _bands_used(bands: Mapping[int, str], name: str) -> tuple[list[int], str]:
    """Return the wavelengths to compute with, 10 nm apart, and words if only every second was taken."""
    every, given = "", sorted(bands)
    steps = sorted(set(np.diff(given).tolist()))
    if steps == [5]:
        given = [nm for nm in given if nm % STEP_NM == 0]
        every = " (every second band of 5 nm)"
    elif steps != [STEP_NM]:
        after = next((nm for nm in given[:-1] if nm + STEP_NM not in bands), given[0])
        what = f"the bands go from {given[0]} to {given[-1]} nm in steps of {', '.join(map(str, steps))} nm"
        if STEP_NM in steps and all(step % STEP_NM == 0 for step in steps):
            what = f"the band {after + STEP_NM} nm is missing"
        raise UserError(Problem(what, "export the spectrum anew with every band, 10 nm apart", file=name))
    used = [nm for nm in given if USED_NM[0] <= nm <= USED_NM[1]]
    if given[0] % STEP_NM:
        what = f"the bands stand at {given[0]}, {given[1]} nm and so on, not at full tens"
        raise UserError(Problem(what, "export the spectrum anew at 400, 410 nm and so on", file=name))
    if not used or used[0] > NEEDED_NM[0] or used[-1] < NEEDED_NM[1]:
        what = f"the bands go from {given[0]} to {given[-1]} nm only"
        raise UserError(Problem(what, f"export them from {NEEDED_NM[0]} to {NEEDED_NM[1]} nm at least", file=name))
    return used, every


def _reflectance(table: Table, columns: Sequence[str]) -> tuple[list[int], NDArray[np.float64], bool]:
    """Return the rows that hold a spectrum by number, their (n, bands) reflectance, and whether in per cent."""
    rows = [row for row in table.rows if any(row.cells[name] for name in columns)]
    problems = []
    values: list[list[float]] = []
    for row in rows:
        values.append([])
        for name in columns:
            text = row.cells[name]
            value = number(text.removesuffix("%"))
            values[-1].append(0.0 if value is None else value)
            if value is None:
                what = (
                    f"the reflectance is {text[:40]!r}, which is not a number"
                    if text
                    else "the reflectance is missing"
                )
                problems.append(Problem(what, "export the row anew, or take it out", table.name, row.number, name))
    if problems:
        raise UserError(*problems)
    read = np.array(values, dtype=float).reshape(len(rows), len(columns))
    per_cent = _is_per_cent(table, rows, columns, read)
    fraction = read / 100 if per_cent else read
    for at, band in np.argwhere((fraction < 0) | (fraction > MOST_PER_CENT / 100)):
        row, name = rows[at], columns[band]
        what = f"the reflectance is {row.cells[name][:40]}"
        limits = f"0 to {MOST_PER_CENT:g} per cent, or 0 to {MOST_PER_CENT / 100:g} as a fraction"
        problems.append(Problem(what, f"it lies within {limits}; measure again", table.name, row.number, name))
    if problems:
        raise UserError(*problems)
    return [row.number for row in rows], fraction, per_cent


def _is_per_cent(table: Table, rows: Sequence[Row], columns: Sequence[str], read: NDArray[np.float64]) -> bool:
    """Whether reflectance is in per cent: where a sign says so, or some value is above 2."""
    signs = {row.cells[name].endswith("%") for row in rows for name in columns}
    if len(signs) > 1:
        what = "some cells of the spectra carry a per cent sign and some do not"
        raise UserError(Problem(what, "write all of them alike", file=table.name))
    named = all("%" in name for name in columns)
    top = any(re.search(r"reflectance[^;,\t]{0,3}[\[(]?\s*%", line, re.IGNORECASE) for line in table.preamble)
    return True in signs or named or top or bool(read.size and read.max() > 2)
