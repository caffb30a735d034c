"""How what lives are compared by is said, the same on every page and in every sentence."""

from __future__ import annotations

NAMES = {"per-year": "distance a year", "built": "build date"}
NOT_SAID = "(not said)"  # what the records leave empty
STEPS = {"built": "later", "interval": "longer"}  # what one step of it is, where not "more"


def spoken(name: str) -> str:
    """A covariate: ``interval:engine-oil`` is the engine-oil interval."""
    kind, _, component = name.partition(":")
    return f"{component} interval" if component else NAMES.get(kind, kind)


def spoken_step(name: str, step: str) -> str:
    """One step of a measure: ``10,000 km more`` of an interval is ``10,000 km longer``."""
    return f"{step.removesuffix('more')}{STEPS.get(name.partition(':')[0], 'more')}"


def spoken_level(name: str, level: str) -> str:
    """One level of a factor in a sentence: ``revision B``, ``the economy part``; free text is quoted."""
    if name == "grade":
        return f"the {level} part"
    return f"{name} “{level}”" if name == "duty" and level not in ("", NOT_SAID) else f"{name} {level or NOT_SAID}"
