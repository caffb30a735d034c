"""What the pages show is what comes out: every python and console block is run."""

import doctest
import re
import shlex
from pathlib import Path

import pytest

from wearlore import cli

ROOT = Path(__file__).parents[1]
PAGES = sorted((ROOT / "docs").glob("*.md"))
BLOCK = re.compile(r"^```(python|console)\n(.*?)^```", re.MULTILINE | re.DOTALL)
SAME = doctest.OutputChecker()
LENIENT = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE


def run_console(block: str, page: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Each ``$ wearlore …`` line is run; its output must be what stands below it (``...`` stands for anything)."""
    for command, _, expected in (part.partition("\n") for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]):
        capsys.readouterr()
        program, *arguments = shlex.split(command, comments=True)
        assert program == "wearlore", f"{page}: only wearlore commands can be shown, not {program}"
        code = cli.run(arguments)
        printed = capsys.readouterr()
        got = printed.out
        assert code == 0, f"{page}: $ {command}\n{printed.err}"
        assert SAME.check_output(expected, got, LENIENT), f"{page}: $ {command}\nexpected:\n{expected}\ngot:\n{got}"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_every_example_on_a_page_runs(page, demo_folder, monkeypatch, capsys):
    monkeypatch.chdir(demo_folder.parent)
    names: dict[str, object] = {"EXAMPLES": str(ROOT / "examples")}
    blocks = BLOCK.findall(page.read_text(encoding="utf-8"))
    assert blocks, "a page without an example"
    for kind, text in blocks:
        if kind == "python":
            exec(compile(text, page.name, "exec"), names)
        else:
            run_console(text, page.name, capsys)


def commands(app, path=()):
    for name in app:
        if not name.startswith("-"):
            below = list(commands(app[name], (*path, name)))
            yield from below or [((*path, name), app[name])]


@pytest.mark.parametrize("words", sorted(" ".join(path) for path, _ in commands(cli.app)))
def test_every_command_has_help_with_an_example_and_a_page(words):
    command = {" ".join(path): command for path, command in commands(cli.app)}[words]
    assert f"Example: wearlore {words}" in command.help.replace("\n", " ")
    assert f"`wearlore {words}" in (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
