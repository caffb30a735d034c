"""The text of one YAML file as plain values, with the line of every one of them.

YAML 1.2: ``no`` is a word, not false. Nothing is guessed and nothing is run: tags are refused, a name written twice is
an error, and a small file cannot unfold into a large book.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any
from unicodedata import normalize

from ruamel.yaml import YAML
from ruamel.yaml.constructor import SafeConstructor
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode
from ruamel.yaml.reader import ReaderError

from wearlore.book.source import Path, Place, spell
from wearlore.errors import BookError

DEEPEST = 12  # levels; a book needs eight
LARGEST = 500_000  # values; aliases are counted as often as they are used
YAML_TAG = "tag:yaml.org,2002:"
SCALARS = ("null", "bool", "int", "float", "str", "timestamp", "value", "merge")
START_AGAIN = "`wearlore book new` writes a book to start from."


@dataclass(slots=True)
class Written:
    """What one file says: plain values, the place of each, and what cannot be used."""

    file: str
    data: dict[str, Any] | None = None
    places: dict[Path, Place] = field(default_factory=dict)
    errors: list[BookError] = field(default_factory=list)

    def refuse(self, line: int, path: Path, expected: str, mend: str = "") -> None:
        self.errors.append(BookError(self.file, line, spell(path), expected, mend))


def written(content: bytes, file: str) -> Written:
    """The values in the ``content`` of ``file``; ``data`` is None when the text as a whole cannot be read."""
    result = Written(file)
    try:
        text = normalize("NFC", content.decode("utf-8-sig"))  # a letter with its accent: one character
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        result.refuse(line, (), "text in UTF-8", "Save the file as UTF-8 in your editor.")
        return result
    root = _compose(text, result)
    if result.errors:
        return result
    if root is None:
        result.refuse(1, (), "a book, not an empty file", START_AGAIN)
    elif not isinstance(root, MappingNode):
        result.refuse(_line(root), (), "sections such as 'family:', 'modes:', 'remedies:'", START_AGAIN)
    else:
        try:
            result.data = _Unfolding(result).mapping(root, ())
        except _TooMuch as error:
            line, path, expected = error.args
            result.errors = []
            result.refuse(line, path, expected, "Write it out plainly: a book needs no such thing.")
    return result


def _compose(text: str, result: Written) -> Node | None:
    """The tree of nodes of ``text``; a fault of the text goes to ``result``."""
    yaml = YAML(typ="safe", pure=True)
    try:
        return yaml.compose(text)  # type: ignore[no-any-return]
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        result.refuse(mark.line + 1 if mark else 1, (), *_syntax(error, text))
    except ReaderError as error:
        line = text.count("\n", 0, error.position) + 1
        result.refuse(line, (), "text without control characters", "Is this really a book, or another kind of file?")
    except RecursionError:
        result.refuse(1, (), f"at most {DEEPEST} levels, one inside the other", "Look for brackets left open.")
    except (YAMLError, ValueError, OverflowError, LookupError, AssertionError) as error:
        # how the parser stumbles over a version of YAML or a character ("\UFFFFFFFF") that there is not
        result.refuse(1, (), "a book in YAML", f"The text cannot be read ({type(error).__name__}: {error}).")
    return None


def _syntax(error: MarkedYAMLError, text: str) -> tuple[str, str]:
    """What the parser expected, and how a person who never heard of parsers mends it."""
    problem = " ".join(str(error.problem or error.context or "readable text").split())
    at = error.problem_mark.line if error.problem_mark else 0
    line = "".join(text.splitlines()[at : at + 1])
    if "\\t" in problem or line.lstrip(" ").startswith("\t"):
        return "spaces at the start of a line, not tabs", "Replace each tab by two spaces."
    if "another document" in problem:
        return "one book in a file", "Remove the line '---' or put the second half into a file of its own."
    if "undefined alias" in problem:
        return f"text that YAML can read ({problem})", "A word that begins with * must be put in quotes."
    if "mapping values are not allowed" in problem:
        return "one 'name: value' on a line", "Put a text that contains ': ' in quotes; look at the indentation."
    return (
        f"text that YAML can read ({problem})",
        "Look at this line and the one above: indentation, a quote or a bracket left open.",
    )


def _line(node: Node) -> int:
    return int(node.start_mark.line) + 1


class _TooMuch(Exception):
    """The file unfolds beyond any book: line, path, what was expected."""


@dataclass(slots=True)
class _Unfolding:
    """Nodes to plain values, noting the place of each and what is wrong with it."""

    result: Written
    values: int = 0
    open_nodes: set[int] = field(default_factory=set)  # the nodes we are inside of: an alias to one has no end

    def value(self, node: Node, path: Path) -> Any:
        self.values += 1
        if self.values > LARGEST:
            raise _TooMuch(_line(node), path[:1], f"at most {LARGEST:,} values")
        if isinstance(node, ScalarNode):
            return self.scalar(node, path)
        if id(node) in self.open_nodes:
            raise _TooMuch(_line(node), path, "no alias (*) to something it is itself a part of")
        if len(path) >= DEEPEST:
            raise _TooMuch(_line(node), path, f"at most {DEEPEST} levels, one inside the other")
        self.open_nodes.add(id(node))
        values: Any = None
        if isinstance(node, MappingNode):
            values = self.mapping(node, path)
        elif isinstance(node, SequenceNode):
            values = self.sequence(node, path)
        self.open_nodes.remove(id(node))
        return values

    def mapping(self, node: MappingNode, path: Path) -> dict[str, Any]:
        self.check_tag(node, path, ("map",))
        self.result.places.setdefault(path, Place(self.result.file, _line(node)))
        values: dict[str, Any] = {}
        for key, item in node.value:
            if not isinstance(key, ScalarNode):
                self.result.refuse(_line(key), path, "a plain name before ':'", "Put a text with brackets in quotes.")
                continue
            name = str(key.value)
            place = Place(self.result.file, _line(key))
            if name in values:
                first = self.result.places[(*path, name)].line
                self.result.refuse(
                    place.line,
                    (*path, name),
                    f"each name once (it stands already in line {first})",
                    "Rename or join the two.",
                )
                continue
            self.result.places[(*path, name)] = place
            values[name] = self.value(item, (*path, name))
        return values

    def sequence(self, node: SequenceNode, path: Path) -> list[Any]:
        self.check_tag(node, path, ("seq",))
        values = []
        for index, item in enumerate(node.value):
            self.result.places[(*path, index)] = Place(self.result.file, _line(item))
            values.append(self.value(item, (*path, index)))
        return values

    def scalar(self, node: ScalarNode, path: Path) -> Any:
        self.check_tag(node, path, SCALARS)
        construct = {
            "null": SafeConstructor.construct_yaml_null,
            "bool": SafeConstructor.construct_yaml_bool,
            "int": SafeConstructor.construct_yaml_int,
            "float": SafeConstructor.construct_yaml_float,
            "timestamp": SafeConstructor.construct_yaml_timestamp,
        }.get(str(node.tag).removeprefix(YAML_TAG))
        if construct is None:
            return str(node.value)
        try:
            return construct(_CONSTRUCTOR, node)
        except (ValueError, OverflowError, LookupError):
            return str(node.value)  # 2021-02-30, !!int x: the book's own check tells what was expected there

    def check_tag(self, node: Node, path: Path, allowed: tuple[str, ...]) -> None:
        tag = str(node.tag)
        if tag.removeprefix(YAML_TAG) not in allowed:
            shown = tag.replace(YAML_TAG, "!!")
            self.result.refuse(_line(node), path, f"a plain value, not one with the tag {shown}", "Remove the tag.")


_CONSTRUCTOR = SafeConstructor(loader=YAML(typ="safe", pure=True))
