"""A page as PDF, where the extra `pdf` is installed."""

import logging
from typing import Literal

Paper = Literal["A4", "letter"]


class NoPdfError(Exception):
    """PDF can't be made here: one line with what would help."""


def as_pdf(html: str, paper: Paper = "A4") -> bytes:
    """Pages of paper by the page's own print style. Raises NoPdfError."""
    for name in ("weasyprint", "weasyprint.progress", "fontTools"):  # they tell of every step
        logging.getLogger(name).setLevel(logging.ERROR)
    try:
        from weasyprint import HTML  # type: ignore[import-untyped]
    except (ImportError, OSError) as error:  # OSError: a library of the system that it needs is not there
        raise NoPdfError(
            "PDF needs WeasyPrint: pip install 'underlid[pdf]', and the system's Pango; "
            "or print the HTML page from a browser"
        ) from error
    from PIL import ImageFile

    # WeasyPrint sets this for the whole process, and uploaded photos that are cut off would pass.
    ImageFile.LOAD_TRUNCATED_IMAGES = False
    sized = html.replace("</head>", f"<style>@page {{ size: {paper} }}</style></head>", 1)
    made: bytes = HTML(string=sized, url_fetcher=_refuse).write_pdf()
    return made


def _refuse(url: str, *_args: object, **_more: object) -> dict[str, object]:
    """A report needs nothing from elsewhere, and must not fetch anything."""
    raise ValueError(f"a report fetches nothing, not {url[:80]}")
