"""SVG to PNG. Takes tens of milliseconds and a large library: for a child process, never in the service's own."""

from __future__ import annotations

from typing import Final

_PAGE: Final = b"""#set page(width: auto, height: auto, margin: 0pt, fill: white)
#image(bytes(sys.inputs.svg), format: "svg", width: float(sys.inputs.width) * 1pt)
"""
FINENESS: Final = 3
"""Pixels of the picture for each px it is drawn in: telephones have two to three."""


def png(svg: str, width: int) -> bytes:
    """The picture of an SVG of our own, `width` px wide as drawn. Only fonts the library carries are used.

    Raises RuntimeError when it cannot be drawn.
    """
    import typst

    try:
        made = typst.compile(
            _PAGE,
            sys_inputs={"svg": svg, "width": str(width)},
            format="png",
            ppi=72.0 * FINENESS,
            ignore_system_fonts=True,
        )
    except typst.TypstError as e:
        raise RuntimeError(f"the picture could not be drawn: {e}") from e
    if not isinstance(made, bytes):
        raise RuntimeError("the picture could not be drawn: it came as several pages")
    return made
