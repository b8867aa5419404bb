"""One rule for all CSV files: the separator of cells, and decimal commas.

Cells are separated by semicolons, tabs or commas, whichever is most frequent in the first line.
Unless commas separate them, a number may have a decimal comma. A minus sign (U+2212) is accepted.
"""

from __future__ import annotations

NEEDS_SEMICOLONS = "decimal commas need semicolons between the cells"
ALONE = "without its unit, which is in the head of the column"


def delimiter_of(head: str) -> str:
    """Return the separator of a file, from its first line.

    >>> delimiter_of("speed;error"), delimiter_of("speed,error"), delimiter_of("pitch_mm")
    (';', ',', ';')
    """
    return max(";\t,", key=head.count)


def plain_number(text: str, *, commas: bool) -> str:
    """Write a number with a decimal point; a text that is no number stays as it is.

    ``commas``: a comma can only be a decimal one, as something else separates the cells. Else one
    is a ValueError, whose message says what is needed.

    >>> plain_number("-1,25", commas=True), plain_number("1.000,5", commas=True)
    ('-1.25', '1.000,5')
    """
    plain = text.replace("\u2212", "-")
    if plain.count(",") != 1 or "." in plain:
        return plain
    if not commas:
        raise ValueError(f"a number with a decimal point; {NEEDS_SEMICOLONS}")
    return plain.replace(",", ".")
