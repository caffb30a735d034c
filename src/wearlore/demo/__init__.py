"""The demo family: an invented engine, its book, and a simulator that makes its fleet. Nothing in it is real."""

from pathlib import Path

from wearlore.demo.fleet import DemoVan, Fleet, default_van, simulate
from wearlore.demo.truth import Truth

BOOK = Path(__file__).with_name("book")  # the folder of the demo book
SEED = 22  # the fleet that `wearlore demo` shows
VANS = 6_000

__all__ = ["BOOK", "SEED", "VANS", "DemoVan", "Fleet", "Truth", "default_van", "simulate"]
