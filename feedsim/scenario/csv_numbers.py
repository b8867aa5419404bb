"""One rule for all CSV files: what separates cells, and what a decimal comma is.

Cells are parted by semicolons, tabs or commas, whichever the first line has most of. Where they
are not parted by commas, a number may have a decimal comma. A true minus counts as one.
"""

from __future__ import annotations

NEEDS_SEMICOLONS = "decimal commas need semicolons between the cells"


def delimiter_of(head: str) -> str:
    """Return the separator of a file, from its first line.

    Examples
    --------
    >>> delimiter_of("speed;error"), delimiter_of("speed,error"), delimiter_of("pitch_mm")
    (';', ',', ';')
    """
    return max(";\t,", key=head.count)


def plain_number(text: str, *, commas: bool) -> str:
    """Write a number with a decimal point.

    Parameters
    ----------
    commas : bool
        Whether a comma can only be a decimal one, since cells are parted by something else.

    Returns
    -------
    str
        The number, or the text as it is where it is none.

    Raises
    ------
    ValueError
        If there is a comma that may as well part cells; it says what is needed.

    Examples
    --------
    >>> plain_number("-1,25", commas=True), plain_number("1.000,5", commas=True)
    ('-1.25', '1.000,5')
    """
    plain = text.replace("\u2212", "-")
    if plain.count(",") != 1 or "." in plain:
        return plain
    if not commas:
        raise ValueError(f"a number with a decimal point; {NEEDS_SEMICOLONS}")
    return plain.replace(",", ".")
