"""What is documented exists, and what exists is documented: commands, make targets, rooms, links, pictures."""

import re
import tomllib
from pathlib import Path

import pytest
import typer.main

from dryline import app
from ingest.settings import Grower, Settings, read_settings

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]
LINK = re.compile(r"!?\[[^\]]*\]\(([^)\s]+)")


def commands() -> list[str]:
    """Every command as it is typed, `import notes` for one in a group."""
    found = []
    for name, command in typer.main.get_command(app).commands.items():  # type: ignore[attr-defined]
        found += [f"{name} {inner}" for inner in command.commands] if hasattr(command, "commands") else [name]
    return found


def documented_commands(text: str) -> set[str]:
    """Commands that a text shows in code marks, `import a|b FILE` counted as both."""
    found = set()
    for words in re.findall(r"`dryline ([a-z][^`]*)`", text):
        first, *rest = words.split()
        found |= {first} | {f"{first} {inner}" for inner in (rest[0].split("|") if rest else ())}
    return found


@pytest.mark.parametrize("command", commands())
def test_every_command_stands_in_the_readme(command: str):
    assert command in documented_commands(README)


def test_every_command_in_the_documents_exists():
    known = {command.split()[0] for command in commands()}
    for page in PAGES:
        shown = {command.split()[0] for command in documented_commands(page.read_text(encoding="utf-8"))}
        assert shown <= known, page.name


def test_every_documented_make_target_exists_and_every_target_is_documented():
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    targets = set(re.findall(r"^([a-z][a-z-]*):", makefile, flags=re.MULTILINE))
    shown = {word for page in PAGES for word in re.findall(r"\bmake ([a-z-]+)", code_of(page.read_text("utf-8")))}
    assert shown <= targets
    assert targets - {"clean"} <= shown


def code_of(text: str) -> str:
    """Only what stands in code marks or code blocks."""
    return "\n".join(re.findall(r"```.*?```|`[^`\n]*`", text, flags=re.DOTALL))


def test_the_readme_opens_with_the_job_then_the_two_commands_then_pictures():
    job, demo, test, picture = (README.index(words) for words in ("dryline is for", "make demo", "make test", "!["))
    assert job < demo < test < picture


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_example_of_settings_is_read(page: Path, tmp_path: Path):
    blocks = re.findall(r"```toml\n(.*?)```", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    for number, block in enumerate(blocks):
        file = tmp_path / f"{number}.toml"
        file.write_text(block, encoding="utf-8")
        assert read_settings(file) != Settings(), block


def test_every_key_of_the_grower_is_explained():
    shown = (ROOT / "docs" / "daily-use.md").read_text(encoding="utf-8").split("[grower]\n", 1)[1].split("```")[0]
    assert {line.split(" = ")[0] for line in shown.splitlines()} == set(Grower.model_fields)


def test_every_room_is_on_the_developers_map():
    rooms = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["importlinter"]["root_packages"]
    for room in [*rooms, "tests"]:
        assert f"`{room}/`" in DEVELOPERS


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_link_and_picture_of_this_repository_exists(page: Path):
    for target in LINK.findall(page.read_text(encoding="utf-8")):
        if "://" not in target and not target.startswith(("#", "mailto:")):
            assert (page.parent / target.partition("#")[0]).is_file(), target


def test_every_file_named_in_the_developers_guide_exists():
    # Code marks that look like a path of this repository.
    for name in re.findall(r"`((?:[a-z_]+/)+[a-z_.*-]*)`", DEVELOPERS):
        tries = [ROOT / name, ROOT / "dashboard" / name, ROOT / "ingest" / name]
        assert any(path.exists() for path in tries), name
