"""The rooms of the house import downward only, and none is missing from the list."""

import ast
from pathlib import Path

ROOT = Path(__file__).parent.parent / "codegen"

# Low to high; modules on one line may import each other.
LAYERS = (
    ("errors", "version", "resources"),
    ("tomlfile",),
    ("targets",),
    ("native",),
    ("build",),
    ("plant",),
    ("bench",),
    ("design",),
    ("graph",),
    ("rules",),
    ("peak_gain",),
    ("ranges",),
    ("formats",),
    ("bounds",),
    ("control",),
    ("emit",),
    ("contract",),
    ("host",),
    ("proof",),
    ("flight",),
    ("machines",),
    ("robustness",),
    ("telemetry",),
    ("diagnosis",),
    ("verify",),
    ("handwritten",),
    ("defects",),
    ("target",),
    ("vectors", "starter"),
    ("shipment",),
    ("evidence", "report"),
    ("ci", "shipped"),
    ("pipeline",),
    ("cli", "pytest_plugin"),
    ("__main__",),
)
HEIGHT = {room: height for height, rooms in enumerate(LAYERS) for room in rooms}
PHYSICS = {"build", "plant", "bench", "design"}
NUMBERS = {"graph", "rules", "peak_gain", "ranges", "formats", "bounds"}


def imports_of(path: Path) -> set[str]:
    """Rooms that a module imports from."""
    rooms = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names = []
        if isinstance(node, ast.ImportFrom) and node.module:
            names = [node.module] if node.module != "codegen" else [f"codegen.{alias.name}" for alias in node.names]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        rooms |= {name.split(".")[1] for name in names if name.startswith("codegen.")}
    return rooms


def room_of(path: Path) -> str:
    """Room in which a module lies."""
    return path.relative_to(ROOT).parts[0].removesuffix(".py")


MODULES = [path for path in sorted(ROOT.rglob("*.py")) if path != ROOT / "__init__.py"]


def test_every_room_is_listed():
    assert {room_of(path) for path in MODULES} == set(HEIGHT)


def test_rooms_import_downward_only():
    upward = [
        f"{path.relative_to(ROOT)} imports {room}"
        for path in MODULES
        for room in imports_of(path) - {room_of(path)}
        if HEIGHT[room] > HEIGHT[room_of(path)]
    ]

    assert upward == []


def test_number_side_knows_no_physics_and_physics_no_numbers():
    crossing = [
        f"{path.relative_to(ROOT)} imports {room}"
        for path in MODULES
        for side, other in ((PHYSICS, NUMBERS), (NUMBERS, PHYSICS))
        if room_of(path) in side
        for room in imports_of(path) & other
    ]

    assert crossing == []


def test_integer_rules_and_c_text_share_no_code():
    assert "codegen.rules.ctext" not in (ROOT / "rules" / "integer.py").read_text(encoding="utf-8")
    assert "codegen.rules.integer" not in (ROOT / "rules" / "ctext.py").read_text(encoding="utf-8")
