"""The command and its groups; the modules beside this one hang the commands on them."""

from __future__ import annotations

from importlib.metadata import version

from cyclopts import App

WRONG_INPUT = 2  # the exit code for anything the person can mend

app = App(
    name="wearlore",
    help="What fails on an engine family and when, where a fault comes from, what to do in a visit, and its job card.",
    help_format="plaintext",
    version=version("wearlore"),
)
book = App(name="book", help="Write the book of a family and have it reviewed.", help_format="plaintext")
records = App(name="records", help="Load service records and see what is there.", help_format="plaintext")
app.command(book)
app.command(records)
