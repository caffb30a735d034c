"""How the guide was made, by what rule its words are chosen, and what it cannot say: the last chapter."""

from __future__ import annotations

from wearlore.answers.guide import FamilyGuide
from wearlore.report.guide.document import Chapter
from wearlore.report.guide.wording import HOW_COMMON
from wearlore.report.sheet import Bullets, Column, Heading, Paragraph, Table
from wearlore.units import Units

END = "Cautions and method"  # the last group of the contents
SMALL = (
    "Chances, prices and intervals are estimates from records and judgement, and hold for the family, not for one "
    "vehicle. This guide does not replace the maker's procedure, local codes or licensed practice: where they differ "
    "from it, they rule."
)


def method(guide: FamilyGuide, units: Units) -> Chapter:
    columns = (
        Column("Words", wide=True),
        Column("Only if the share failed lies in", wide=True),
    )
    rows = tuple((one.words, f"{100 * one.low:g} to {100 * one.high:g} %") for one in HOW_COMMON)
    return Chapter(
        "method",
        "Method and limits",
        END,
        "",
        (
            Paragraph(
                "Each weak point has a life model: the distances at which pieces failed or were still good on record, "
                "together with the specialist's judgement, which weighs less the more records there are. All revisions "
                "and grades of part count together, as they stand on the road."
            ),
            Heading("By what rule words are chosen", 2),
            Paragraph(
                "A word is used only where the whole 95 % interval lies within its bounds; of those that fit, the "
                "narrowest."
            ),
            Table(columns, rows),
            Bullets(
                (
                    "“Lasts longer” and “lasts shorter”: the interval of the ratio excludes 1, and chance explains it "
                    f"with less than 5 % even as one of the {guide.compared:,} comparisons made for this guide.",
                    "“Which may still be chance”: the interval excludes 1, but one of so many comparisons does so "
                    "easily.",
                    "“No difference shown”: the records do not tell; that is not to say there is none.",
                    "“Measured”: at least half of what is known comes from records; otherwise it says judgement.",
                )
            ),
            Heading("What is supposed", 2),
            Bullets(
                (
                    f"Labour at {units.show_money(guide.labour_rate)} an hour, parts at the book's prices, before tax. "
                    "A failure also counts recovery, hire and damage on the mean, and "
                    f"{units.show_money(guide.visit_fixed)} for a visit that nobody planned.",
                    "Signs, factors of what ages what, and chances to be left standing are judgement.",
                    "What a buyer finds takes its cure and its consequence off the price; the vehicle is taken to be "
                    f"used as usual, {units.show_distance(guide.per_year)} a year.",
                    "Records come from vehicles that came to a workshop: those never seen may fare otherwise.",
                )
            ),
        ),
    )
