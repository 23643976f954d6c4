"""The house stands as DEVELOPERS.md says: floors, documents, style."""

import ast
import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer

from triage.cli import app

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))

TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "triage",
    "calibration",
    "tests",
    "sample_images",
}
FLOORS = {  # the longest name that fits holds
    "calibration": 1,
    "triage": 3,  # the package itself hands on the one public call; its parts are below
    "triage.errors": 0,
    "triage.photo": 1,
    "triage.debris": 1,
    "triage.filters": 1,
    "triage.sizing": 2,
    "triage.kept_spread": 2,
    "triage.kept_shop": 2,
    "triage.analysis": 3,
    "triage.spreads": 3,
    "triage.batch": 3,
    "triage.consequences": 3,
    "triage.earlier": 3,
    "triage.rate_words": 3,
    "triage.advice": 3,
    "triage.advice_data": 3,
    "triage.advice_feed": 3,
    "triage.advice_findings": 3,
    "triage.advice_sample": 3,
    "triage.advice_phrases": 3,
    "triage.advice_texts": 3,
    "triage.record": 4,
    "triage.report": 4,
    "triage.web": 5,
    "triage.cli": 6,
    "triage.cli_compare": 6,
    "triage.options": 6,
    "triage.cli_flow": 6,
    "triage.cli_history": 6,
    "triage.cli_record": 6,
    "triage.cli_serve": 6,
    "triage.progress": 6,
}
MOST_LINES, MOST_FUNCTION_LINES = 500, 70
HEAVY = ("numpy", "cv2", "scipy", "PIL", "reportlab", "pypdfium2", "sqlalchemy", "alembic")

MODULES = sorted(path for package in ("calibration", "triage") for path in (ROOT / package).rglob("*.py"))
SOURCES = sorted(
    path
    for folder in ("calibration", "triage", "tests", "sample_images")
    for path in (ROOT / folder).rglob("*.py")
)


def name_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def floor_of(name: str) -> int | None:
    """Floor of a module, or of something imported from one; None where it has no place in the house."""
    fitting = [known for known in FLOORS if name == known or name.startswith(f"{known}.")]
    found = max(fitting, key=len, default=None)
    stray = found == "triage" and name not in {"triage", "triage.analyse"}
    return None if found is None or stray else FLOORS[found]


def imports_of(tree: ast.AST) -> Iterator[str]:
    """Every import, also those inside functions and those for types only."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def our_imports(path: Path) -> list[str]:
    found = imports_of(ast.parse(path.read_text(encoding="utf-8")))
    return [
        name for name in found if name.split(".")[0] in {"triage", "calibration", "tests", "sample_images"}
    ]


def commands() -> dict[str, Any]:
    """Every command by its words; those of a group with the group's options too."""
    found: dict[str, Any] = {}
    for name, command in typer.main.get_command(app).commands.items():  # type: ignore[attr-defined]
        found[name] = command
        found |= {f"{name} {part}": each for part, each in getattr(command, "commands", {}).items()}
    return found


def options_of(command: Any) -> set[str]:
    every = (
        option for parameter in command.params for option in (*parameter.opts, *parameter.secondary_opts)
    )
    return {option for option in every if option.startswith("--")}


def test_top_level_holds_exactly_what_it_should():
    if shutil.which("git") is None or not (ROOT / ".git").exists():
        pytest.skip("not a git checkout, so what belongs to the project cannot be told from leftovers")
    git = ("git", "-c", f"safe.directory={ROOT}", "ls-files")
    listed = subprocess.run(git, cwd=ROOT, capture_output=True, text=True, check=True)
    top = {line.split("/")[0] for line in listed.stdout.splitlines()}

    assert {name for name in top if not name.startswith(".")} == TOP_LEVEL


def test_modules_import_only_from_their_own_floor_or_below():
    faults = []
    for path in MODULES:
        module = name_of(path)
        floor = floor_of(module)
        for name in our_imports(path):
            below = floor_of(name)
            if floor is None or below is None or below > floor:
                faults.append(f"{module} (floor {floor}) imports {name} (floor {below})")

    assert faults == []
    assert [name for name in map(name_of, MODULES) if floor_of(name) is None] == []


def test_calibration_knows_nothing_of_what_uses_it():
    faults = [
        f"{name_of(path)} imports {name}"
        for path in MODULES
        for name in our_imports(path)
        if name_of(path).startswith("calibration") and not name.startswith("calibration")
    ]

    assert faults == []


def test_marker_detection_is_in_one_module():
    users = {name_of(path) for path in MODULES if "ArucoDetector" in path.read_text(encoding="utf-8")}

    assert users == {"calibration.locate"}


ARRAYS = re.compile(r"\b(NDArray|Array|FloatArray|Floats|Points|Image|ArrayLike)\b")
SHAPE = re.compile(r"\(\w+, ?[\w, \[\]]*\)|any shape")
INNER = {"TypeError", "PermissionError"}  # a caller's own mistake; caught again in the same place


def public_functions(path: Path) -> Iterator[tuple[ast.FunctionDef, str]]:
    """Public functions and methods, each with its own docstring and its class's."""
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        holder = node if isinstance(node, ast.ClassDef) else None
        for each in holder.body if holder else [node]:
            hidden = (holder.name if holder else "").startswith("_")
            if isinstance(each, ast.FunctionDef) and not each.name.startswith("_") and not hidden:
                about = ast.get_docstring(holder) if holder else ""
                yield each, f"{ast.get_docstring(each)} {about}"


def test_public_functions_say_the_shapes_of_their_arrays():
    silent = []
    for path in (path for path in MODULES if {"calibration", "sizing"} & set(path.parts)):
        for node, said in public_functions(path):
            every = [*node.args.args, *node.args.kwonlyargs]
            kinds = [ast.unparse(each.annotation) for each in every if each.annotation]
            kinds += [ast.unparse(node.returns)] if node.returns else []
            if any(ARRAYS.search(kind) for kind in kinds) and not SHAPE.search(said):
                silent.append(f"{name_of(path)}.{node.name}")

    assert silent == []


def test_public_functions_say_what_they_raise():
    silent = []
    for path in (path for path in MODULES if not {"web", "record", "debris"} & set(path.parts)):
        for node, said in public_functions(path):
            raised = (each.exc for each in ast.walk(node) if isinstance(each, ast.Raise) and each.exc)
            names = {ast.unparse(each.func if isinstance(each, ast.Call) else each) for each in raised}
            unsaid = {name for name in names if name[0].isupper() and name not in said} - INNER
            if unsaid and not path.name.startswith("cli"):
                silent.append(f"{name_of(path)}.{node.name}: {', '.join(sorted(unsaid))}")

    assert silent == []


def test_modules_and_functions_are_short():
    long = []
    for path in SOURCES:
        text = path.read_text(encoding="utf-8")
        parts = [(name_of(path), len(text.splitlines()), MOST_LINES)]
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                lines = (node.end_lineno or node.lineno) - node.lineno + 1
                parts.append((f"{name_of(path)}: {node.name}", lines, MOST_FUNCTION_LINES))
        long += [f"{name}: {lines} lines" for name, lines, most in parts if lines > most]

    assert long == []


def shell_lines(document: str) -> list[str]:
    blocks = re.findall(r"```sh\n(.*?)```", document, flags=re.DOTALL)
    return [line for block in blocks for line in block.splitlines() if line]


def test_readme_opens_with_one_paragraph_and_then_the_two_lines():
    title, paragraph, *rest = [part for part in README.split("\n\n") if part.strip()]
    run, test = shell_lines(README)[:2]

    assert title.startswith("# ")
    assert "technician" in paragraph
    assert "\n" not in paragraph
    assert run in rest[1]
    assert test in rest[3]
    assert " && .venv/bin/triage analyse sample_images/" in run
    assert (ROOT / run.split("triage analyse ")[1].split()[0]).is_file()
    assert "[heic]" in run
    assert test.endswith("-m pytest")


def test_ci_runs_the_line_that_the_readme_names():
    test = shell_lines(README)[1]
    script = ROOT / ".ci" / "run"

    assert script.read_text(encoding="utf-8").splitlines()[-1] == test
    assert test in shell_lines(DEVELOPERS)
    assert script.stat().st_mode & 0o111


def test_links_of_all_pages_lead_somewhere():
    pages = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "triage" / "docs").glob("*.md")]
    assert len(pages) > 2
    links = [
        (page, link) for page in pages for link in re.findall(r"\]\(([^)#:]+)\)", page.read_text("utf-8"))
    ]
    assert len(links) > 5
    assert [link for page, link in links if not (page.parent / link).exists()] == []


def test_readme_names_every_command_and_option():
    missing = [name for name in commands() if f"triage {name}" not in README]
    for name, command in commands().items():
        missing += [f"{name} {option}" for option in options_of(command) if f"{option}" not in named(README)]

    assert missing == []


def test_readme_names_no_option_that_is_not_there():
    known = {option for command in commands().values() for option in options_of(command)}

    assert named(README) - known == {"--help", "--install-completion", "--show-completion"}


def named(document: str) -> set[str]:
    return set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", document))


def test_documents_link_only_to_what_is_there():
    links = re.findall(r"\]\(([^)#]+)\)", README + DEVELOPERS)

    assert links
    assert [link for link in links if not (ROOT / link).exists()] == []


def test_guide_pictures_are_small():
    heavy = [
        path.name for path in (ROOT / "sample_images" / "guide").iterdir() if path.stat().st_size > 300_000
    ]

    assert heavy == []


def test_developers_names_every_direct_dependency():
    extras = PROJECT["project"]["optional-dependencies"].values()
    wanted = [*PROJECT["project"]["dependencies"], *(item for extra in extras for item in extra)]
    names = {re.split(r"[<>=\[ ]", item)[0] for item in wanted}
    told = DEVELOPERS.split("## Dependencies")[1].split("\n## ")[0]

    assert [name for name in sorted(names) if name not in told] == []


def test_developers_names_every_module_and_no_other():
    files = {path.relative_to(ROOT).as_posix() for path in MODULES if path.name != "__init__.py"}
    told = set(re.findall(r"`((?:triage|calibration)/[\w/]+\.py)`", DEVELOPERS))

    assert told == files


def test_data_files_are_part_of_the_package():
    patterns = PROJECT["tool"]["setuptools"]["package-data"]
    lost = [
        path.relative_to(ROOT).as_posix()
        for package, globs in patterns.items()
        for path in (ROOT / package).rglob("*")
        if path.is_file()
        and path.suffix not in {".py", ".pyc"}
        and not any(path in (ROOT / package).glob(pattern) for pattern in globs)
    ]

    assert lost == []


def run_tool(*command: str) -> None:
    pytest.importorskip(command[0], reason=f"{command[0]} is not installed (extra `test`)")
    done = subprocess.run(
        [sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False
    )

    assert done.returncode == 0, done.stdout + done.stderr


def test_ruff_finds_nothing():
    run_tool("ruff", "check", ".")


def test_files_are_formatted():
    run_tool("ruff", "format", "--check", ".")


def test_types_hold():
    run_tool("mypy", "--strict")


def test_help_loads_no_heavy_library():
    code = "import sys; sys.argv[1:] = ['--help']; from triage.cli import run; run()"
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    loaded = {
        line.rsplit("|", 1)[1].strip().split(".")[0] for line in done.stderr.splitlines() if "|" in line
    }

    assert "analyse" in done.stdout
    assert "typer" in loaded
    assert loaded.isdisjoint(HEAVY)
