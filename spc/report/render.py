"""One door to every format: content in, bytes out."""

from collections.abc import Callable

from spc.report.content import Content

__all__ = ["FORMATS", "MIME_TYPES", "PAPERS", "check_paper", "render"]

PAPERS: dict[str, tuple[float, float]] = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}  # width, height, mm

FORMATS: dict[str, str] = {
    "html": "one page that needs nothing else; prints on A4 and Letter",
    "pdf": "pages, A4 or Letter",
    "xlsx": "a workbook with live numbers, one sheet per table",
    "csv": "every figure, one per line",
    "json": "every figure, for programs",
}
MIME_TYPES: dict[str, str] = {
    "html": "text/html",
    "pdf": "application/pdf",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "csv": "text/csv",
    "json": "application/json",
}


def render(content: Content, form: str, *, paper: str = "A4") -> bytes:
    """Write a report in one format.

    Parameters
    ----------
    content : Content
        From `study_content`, `handover_content` or another builder.
    form : str
        A key of FORMATS.
    paper : {'A4', 'Letter'}
        Of the PDF.

    Returns
    -------
    bytes
        The same content gives the same bytes.

    Raises
    ------
    ValueError
        If the format or the paper is not known.
    """
    if form not in FORMATS:
        raise ValueError(f"`form` must be one of {', '.join(FORMATS)}, got {form!r}")
    if form == "pdf":
        from spc.report.pdf import write_pdf

        return write_pdf(content, paper=paper)
    return _writer(form)(content)


def check_paper(paper: str) -> tuple[float, float]:
    """Give width and height of a paper in millimetres, or refuse one that is not known."""
    if paper not in PAPERS:
        raise ValueError(f"`paper` must be one of {', '.join(PAPERS)}, got {paper!r}")
    return PAPERS[paper]


def _writer(form: str) -> Callable[[Content], bytes]:
    if form == "html":
        from spc.report.html import write_html

        return write_html
    if form == "xlsx":
        from spc.report.xlsx import write_xlsx

        return write_xlsx
    if form == "csv":
        from spc.report.csv import write_csv

        return write_csv
    from spc.report.json import write_json

    return write_json
