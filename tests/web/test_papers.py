"""The papers of a visit as files: what they hold, what they are called, and what is answered where there is none."""

from __future__ import annotations

from io import BytesIO
from urllib.error import HTTPError
from urllib.request import urlopen

import pytest
from pypdf import PdfReader

from wearlore.web.papers import _plain

ASKED = "fault=filter-housing-leak&horizon=50000"
BESIDE = {"job-card": "WARNING", "estimate": "Total", "owner": "What we advise now"}


def got(address: str) -> tuple[str, str, bytes]:
    """Kind of content, name of the file, content."""
    with urlopen(address, timeout=120) as answer:
        return answer.headers["Content-Type"], answer.headers["Content-Disposition"], answer.read()


def refused(address: str) -> tuple[int, str]:
    with pytest.raises(HTTPError) as error:
        urlopen(address, timeout=120)
    with error.value as answer:
        return answer.code, answer.read().decode()


@pytest.mark.parametrize("paper", BESIDE)
def test_a_paper_opens_as_pdf_and_on_screen(site: str, paper: str) -> None:
    kind, name, made = got(f"{site}/papers/V00003/{paper}.pdf?{ASKED}")
    assert (kind, name) == ("application/pdf", f'inline; filename="V00003-{paper}.pdf"')
    text = " ".join(page.extract_text() for page in PdfReader(BytesIO(made)).pages)
    assert "V00003" in text
    assert BESIDE[paper] in text
    kind, name, made = got(f"{site}/papers/V00003/{paper}.html?{ASKED}")
    assert kind.startswith("text/html")
    assert "V00003" in made.decode()
    assert "<script" not in made.decode()


def test_what_the_query_says_is_on_the_paper(site: str) -> None:
    _, _, without = got(f"{site}/papers/V00003/estimate.html?{ASKED}&refuse=lower-mount")
    _, _, with_it = got(f"{site}/papers/V00003/estimate.html?{ASKED}&include=lower-mount")
    assert "engine mount" not in without.decode().lower()
    assert "engine mount" in with_it.decode().lower()


@pytest.mark.parametrize(
    ("to", "code", "said"),
    [
        ("/papers/V00003/invoice.pdf", 404, "no such paper"),
        ("/papers/V00003/job-card.docx", 404, "no such paper"),
        ("/papers/NOBODY/job-card.pdf", 404, "NOBODY"),
        (f"/papers/V00003/job-card.pdf?{ASKED}&refuse=oil-filter-housing", 422, "cannot all hold"),
        ("/papers/V00003/job-card.pdf?horizon=far", 422, "horizon"),
    ],
)
def test_where_there_is_no_paper_it_says_why(site: str, to: str, code: int, said: str) -> None:
    found, text = refused(site + to)
    assert (found, said in text) == (code, True), text


@pytest.mark.parametrize(
    ("vehicle", "name"), [("V00003", "V00003"), ('a"; b/../c', "a-b-c"), ("ö" * 9, "vehicle"), ("x" * 99, "x" * 60)]
)
def test_a_file_is_called_what_every_system_takes(vehicle: str, name: str) -> None:
    assert _plain(vehicle) == name
