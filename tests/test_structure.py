"""The shape of the code: one direction of imports, small files and functions, sorted public names, plain file names."""

import ast
import importlib
import inspect
import re
import subprocess
import textwrap
from collections.abc import Callable
from dataclasses import fields, is_dataclass
from graphlib import TopologicalSorter
from pathlib import Path
from typing import Any

import pytest

import flatmeasure

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "flatmeasure"

# Along the data's way, package by package; a module imports only modules that stand before it. A new module takes its
# place here.
ORDER = {
    "": "errors quantity units files polygons masks",
    "photos": "jpeg photo camera encoding",
    "references": ("figures candidates profiles steps saddles plausibility sightings finding checkerboard"),
    "view": (
        "ripple projection bundle lens_profile rectification line_tracing straight_lines "
        "grid_start grid grid_alone grid_lines"
    ),
    "cloth": "network ground evidence hints spread separation regions things segmentation rarity flaws",
    "outline": "ring appearance boundary stepfit printed_lines refinement leading growth",
    "edges": "corners splines curves joints rounded breaks noise fitting",
    "results": "measurement shape measures advice",
    ".": "pipeline correction",
    "display": "true_scale labels overlay table page",
    "pieces": (
        "panel panel_parts panel_file picture_map levels division allowance edge_shapes darts totals rectangles strips "
        "mirror matches grain piece_json piece_drawing piece_text"
    ),
    "enough": (
        "pattern pattern_drawing pattern_file parts boards laying nofit depth_maps settling search layouts "
        "most_valuable strip_packing shortage verdict placements seams seam_places splitting shopping leftovers "
        "layout_drawing split_drawing answer_text"
    ),
    "calibration": "sheet lens_fit lens",
    "exports": (
        "cut_piece curve_fit lettering piece_marks outline_svg outline_dxf page_tiles pdf_words pattern_pdf tables "
        "report_style report"
    ),
    "batch": "photo_list tasks thumbnail photo_work job_table executors cluster results_table contact_sheet running",
    "synthetic": "coverage scene rendering",
    "commands": (
        "options hint_options measured_input measure_command sheet_command lens_command batch_command piece_options "
        "piece_shape_commands piece_use_commands piece_commands search_watch layout_files enough_commands "
        "export_command serve_command"
    ),
    "..": "cli",
}

# The service beside it, from what it is built on to the application; it uses the package, which knows nothing of it.
SERVICE = (
    "settings problems tables database paging files notes stripping answering exporting tasks work_line workers "
    "metrics job_store jobs piece_store measurement_store answer_store sweeping running job_kinds models reply_models "
    "replies measurements pictures pieces answers exports job_routes health description problem_replies security app"
)
JAVASCRIPT_IMPORT = re.compile(r'^import [^;]*? from "\./(\w+)\.js"', re.MULTILINE)

MAX_FILE_LINES, MAX_FUNCTION_LINES, MAX_PARAMETERS = 400, 60, 8
VAGUE = {"utils", "util", "helpers", "helper", "common", "misc", "core", "base", "tools", "lib", "main"}
PLACES = tuple(f"{package}.{name}".strip(".") for package, names in ORDER.items() for name in names.split())
MODULES = sorted(
    ".".join(path.relative_to(PACKAGE).with_suffix("").parts)
    for path in PACKAGE.rglob("*.py")
    if path.stem != "__init__"
)


def imports_of(source: str, package: str = "flatmeasure") -> set[str]:
    """Modules of a package that a source text imports, at its top or inside functions; all imports are absolute."""
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative imports are not used here"
            inside = (node.module or "").split(".")[0] == package
            name = (node.module or "").removeprefix(package).removeprefix(".")
            if inside:
                found |= {f"{name}.{alias.name}".strip(".") for alias in node.names} | {name}
        elif isinstance(node, ast.Import):
            found |= {alias.name.split(".", 1)[1] for alias in node.names if alias.name.startswith(f"{package}.")}
    return found


def out_of_order(imports: dict[str, set[str]], order: tuple[str, ...]) -> list[str]:
    """Imports that do not look back, as "importer <- imported"."""
    place = {name: index for index, name in enumerate(order)}
    wrong = [(a, b) for a, used in imports.items() for b in used if place.get(b, len(order)) >= place.get(a, -1)]
    return [f"{a} <- {b}" for a, b in sorted(wrong)]


def code_lines(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines of a function without its docstring."""
    body = function.body
    skipped = 0
    if (
        isinstance(body[0], ast.Expr)
        and isinstance(body[0].value, ast.Constant)
        and isinstance(body[0].value.value, str)
    ):
        skipped = (body[0].end_lineno or 0) - body[0].lineno + 1
    return (function.end_lineno or 0) - function.lineno + 1 - skipped


def functions_of(path: Path) -> list[ast.FunctionDef | ast.AsyncFunctionDef]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)]


def files_of_modules() -> dict[str, Path]:
    return {name: (PACKAGE / name.replace(".", "/")).with_suffix(".py") for name in MODULES}


def source_files() -> list[Path]:
    return [path for folder in ("flatmeasure", "service", "tests") for path in sorted((ROOT / folder).rglob("*.py"))]


def test_every_module_has_its_place() -> None:
    assert sorted(PLACES) == MODULES


def test_imports_look_back_only() -> None:
    files = files_of_modules()
    imports = {name: imports_of(path.read_text(encoding="utf-8")) & set(MODULES) for name, path in files.items()}
    assert out_of_order(imports, PLACES) == []


def test_the_service_has_an_order_too() -> None:
    sources = {path.stem: path.read_text(encoding="utf-8") for path in (ROOT / "service").glob("[!_]*.py")}
    assert sorted(SERVICE.split()) == sorted(sources)
    imports = {name: imports_of(source, "service") & set(SERVICE.split()) for name, source in sources.items()}
    assert out_of_order(imports, tuple(SERVICE.split())) == []


def test_the_package_knows_nothing_of_the_service() -> None:
    """But for the command that starts it."""
    users = {
        name for name, path in files_of_modules().items() if re.search(r"(import|from) service\b", path.read_text())
    }
    assert users == {"commands.serve_command"}


def test_the_page_has_no_cycle() -> None:
    modules = {path.stem: path.read_text(encoding="utf-8") for path in (ROOT / "service/page/modules").glob("*.js")}
    imports = {name: set(JAVASCRIPT_IMPORT.findall(text)) for name, text in modules.items()}
    assert imports["main"] >= {"home", "result"}
    assert list(TopologicalSorter(imports).static_order())  # raises CycleError


def test_imports_look_back_only_failure() -> None:
    source = "from flatmeasure.photos import photo\nimport flatmeasure.cloth.hints\nfrom flatmeasure import units\n"
    assert imports_of(source) & set(MODULES) == {"photos.photo", "cloth.hints", "units"}
    assert out_of_order({"camera": {"photo", "cloth"}}, ("photo", "camera", "cloth")) == ["camera <- cloth"]


@pytest.mark.parametrize("path", source_files(), ids=lambda path: str(path.relative_to(ROOT)))
def test_files_and_functions_stay_small(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= MAX_FILE_LINES
    long = {f.name: code_lines(f) for f in functions_of(path) if code_lines(f) > MAX_FUNCTION_LINES}
    assert long == {}
    wide = {
        f.name for f in functions_of(path) if len(f.args.posonlyargs + f.args.args + f.args.kwonlyargs) > MAX_PARAMETERS
    }
    has_commands = path.stem == "cli" or path.stem.endswith(("_command", "_commands"))
    assert wide == set() or has_commands  # a command's parameters are its options


def test_code_lines_leave_the_docstring_out() -> None:
    function = ast.parse('def f(x):\n    """Two\n    lines."""\n    y = x\n    return y\n').body[0]
    assert isinstance(function, ast.FunctionDef)
    assert code_lines(function) == 3


@pytest.mark.parametrize("name", ["flatmeasure", *(f"flatmeasure.{module}" for module in MODULES)])
def test_public_names_exist_and_are_sorted(name: str) -> None:
    names = list(getattr(importlib.import_module(name), "__all__", []))
    assert names == sorted(names)
    assert all(hasattr(importlib.import_module(name), public) for public in names)


def documented(docstring: str, section: str) -> set[str]:
    """The names that a section of a docstring in numpy form tells of."""
    found = re.search(rf"^{section}\n-+\n(.*?)(?=^\S+\n-+$|\Z)", docstring, re.MULTILINE | re.DOTALL)
    heads = re.findall(r"^(\w[\w, ]*?)(?= : |$)", found[1], re.MULTILINE) if found else []
    return {name.strip() for head in heads for name in head.split(",")}


PUBLIC = [(name, getattr(flatmeasure, name)) for name in flatmeasure.__all__]


@pytest.mark.parametrize(
    ("name", "function"),
    [(name, found) for name, found in PUBLIC if inspect.isfunction(found)],
    ids=lambda one: one if isinstance(one, str) else "",
)
def test_public_functions_tell_parameters_results_and_errors(name: str, function: Callable[..., Any]) -> None:
    told = inspect.getdoc(function) or ""
    wanted = set(inspect.signature(function).parameters) - {"options"}  # whose keys are told one by one
    assert wanted <= documented(told, "Parameters")
    assert re.search(r"^Returns\n-+$", told, re.MULTILINE)
    tree = ast.parse(textwrap.dedent(inspect.getsource(function)))
    if any(isinstance(node, ast.Raise) for node in ast.walk(tree)):
        assert documented(told, "Raises")


@pytest.mark.parametrize(
    ("name", "kind"),
    [(name, found) for name, found in PUBLIC if is_dataclass(found)],
    ids=lambda one: one if isinstance(one, str) else "",
)
def test_public_results_tell_their_fields(name: str, kind: type) -> None:
    told = inspect.getdoc(kind) or ""
    assert {field.name for field in fields(kind)} <= documented(told, "Attributes") | documented(told, "Parameters")


def test_documented() -> None:
    told = "One line.\n\nParameters\n----------\na, b : int\nc\n    More.\n\nReturns\n-------\nint\n"
    assert documented(told, "Parameters") == {"a", "b", "c"}
    assert documented(told, "Raises") == set()


def test_names_say_what_is_inside() -> None:
    assert not VAGUE & {path.stem for path in source_files()}


def test_no_machine_of_ours_is_named() -> None:
    """Neither folders of one machine nor the hosts of package registries belong in the repository."""
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode != 0:
        pytest.skip("not a git checkout")
    pattern = re.compile(
        "|".join(["/" + "work/", "/" + "tmp/", "/" + "root/", "pypi" + r"\.", "files.python" + "hosted"])
    )
    named = []
    for line in listed.stdout.splitlines():
        path = ROOT / line
        if path.suffix in {".py", ".md", ".toml", ".json", ".js", ".html", ".css", ""} and path.is_file():
            text = path.read_text(encoding="utf-8", errors="ignore")
            named += [f"{line}: {match.group()}" for match in [pattern.search(text)] if match]
    assert named == []


def test_the_map_is_true() -> None:
    """Modules that the table of DEVELOPERS.md names exist, and every package has its row."""
    table = re.findall(r"^\| (`.*?) \| (.*?) \|", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"), re.MULTILINE)
    rows = {re.findall(r"`(\w+)`", head)[0]: re.findall(r"`([\w*]+)`", modules) for head, modules in table}
    assert {package for package in ORDER if package.isidentifier()} <= set(rows)
    named = [(package, name) for package, names in rows.items() if package in ORDER for name in names]
    assert [(package, name) for package, name in named if not list((PACKAGE / package).glob(f"{name}.py"))] == []


def test_every_command_is_in_the_readme() -> None:
    table = re.findall(r"^\| ((?:`\w+`(?:, )?)+) \|", (ROOT / "README.md").read_text(encoding="utf-8"), re.MULTILINE)
    app = importlib.import_module("flatmeasure.cli").app
    commands = {command.callback.__name__ for command in app.registered_commands}
    commands |= {group.name for group in app.registered_groups}
    assert set(re.findall(r"`(\w+)`", " ".join(table))) == commands
