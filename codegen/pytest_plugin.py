"""Pytest plugin: a fixture that compiles and loads a controller, and a marker that names it, its horizon and its seed.

    @pytest.mark.loopwright("build/lantern", horizon=500, seed=3)
    def test_command_is_limited(loopwright_controller):
        inputs = loopwright_controller.draw("held", lanes=100)
        assert abs(loopwright_controller.run(inputs).outputs[:, 0]).max() <= 512

The folder is what ``loopwright ship -o`` wrote, or the contract file of C written by hand; ``--loopwright-folder`` or the ini key
``loopwright_folder`` give it where the marker does not.  Nothing of the package is imported before a test asks for the fixture.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from codegen.host.controller import Trace
    from codegen.verify.properties import PropertyCheck
    from codegen.verify.subject import Subject

    Counts = NDArray[np.int64]

HORIZON, SEED = 400, 1
MARKER = "loopwright(folder=None, *, source=None, horizon=400, seed=1): controller, ticks and seed for the fixture loopwright_controller"


def pytest_addoption(parser: pytest.Parser) -> None:
    """Option and ini key for the folder."""
    parser.getgroup("loopwright").addoption(
        "--loopwright-folder", default=None, help="folder that `loopwright ship` wrote, or a contract file"
    )
    parser.addini("loopwright_folder", "folder that `loopwright ship` wrote, or a contract file", default="")


def pytest_configure(config: pytest.Config) -> None:
    """Make the marker known."""
    config.addinivalue_line("markers", MARKER)


class LoadedController:
    """A compiled controller for tests.

    Attributes:
        subject: The controller with its shape, for anything beyond the methods here.
        horizon: Ticks of ``draw`` and ``step``-by-step tests, as the marker says.
        seed: Seed of all draws.
        inputs: Names of the inputs, in order.
        outputs: Names of the outputs, in order.
    """

    def __init__(self, subject: Subject, horizon: int, seed: int) -> None:
        import numpy as np

        self.subject = subject
        self.horizon = horizon
        self.seed = seed
        self.inputs = tuple(port.name for port in subject.shape.inputs)
        self.outputs = tuple(port.name for port in subject.shape.outputs)
        self._rng = np.random.default_rng(seed)
        self._memory = subject.host().start(1)

    def reset(self) -> None:
        """Start the controller of ``step`` anew."""
        self._memory = self.subject.host().start(1)

    def step(self, **inputs: int) -> dict[str, int]:
        """One tick with raw counts by name; inputs that are not named are 0.

        Raises:
            TypeError: There is no such input.
        """
        import numpy as np

        unknown = set(inputs) - set(self.inputs)
        if unknown:
            raise TypeError(f"no input {sorted(unknown)[0]}; there are {', '.join(self.inputs)}")
        row = np.array([[[int(inputs.get(name, 0))] for name in self.inputs]], dtype=np.int64)
        outputs = self.subject.host().run(self._memory, row).outputs
        return {name: int(outputs[0, at, 0]) for at, name in enumerate(self.outputs)}

    @property
    def memory(self) -> Mapping[str, int]:
        """State of the controller of ``step``, by member."""
        return self.subject.named_memory(self._memory[:, 0])

    def draw(self, kind: str = "held", lanes: int = 1) -> Counts:
        """Inputs (horizon, inputs, lanes): ``held`` levels, ``edges``, ``white``, ``constant`` or ``opposite`` ends."""
        return self.subject.draw(kind, self._rng, self.horizon, lanes)

    def run(self, inputs: Counts) -> Trace:
        """Outputs and memory over inputs (ticks, inputs, lanes), every lane from the start."""
        host = self.subject.host()
        return host.run(host.start(inputs.shape[2]), inputs, trace_memory=True)

    def check(self) -> PropertyCheck:
        """Every property that applies, with this seed."""
        from codegen.verify.properties import check_properties

        return check_properties(self.subject, seed=self.seed)


def _load(folder: Path, source: Path | None) -> Subject:
    if folder.suffix == ".toml":
        from codegen.handwritten import read_contract
        from codegen.handwritten.gate import subject_of

        contract = read_contract(folder)
        return subject_of(contract, contract.sources(source))
    from codegen.bounds import bound_one_tick
    from codegen.shipped import read_shipped
    from codegen.verify.subject import emitted_subject

    shipped = read_shipped(folder, source)
    fixed = shipped.fixed()
    bounds, _ = bound_one_tick(fixed)
    return emitted_subject(shipped.emission, fixed, bounds)


def _path(value: Any, root: Path) -> Path:
    return Path(value) if Path(value).is_absolute() else root / value


@pytest.fixture
def loopwright_controller(request: pytest.FixtureRequest) -> Iterator[LoadedController]:
    """The controller that the marker, the option or the ini key names, compiled and loaded."""
    from codegen.errors import LoopwrightError

    marker = request.node.get_closest_marker("loopwright")
    arguments: dict[str, Any] = dict(marker.kwargs) if marker is not None else {}
    named = marker.args[0] if marker is not None and marker.args else arguments.pop("folder", None)
    config = request.config
    folder = named or config.getoption("--loopwright-folder") or config.getini("loopwright_folder")
    if not folder:
        ways = "@pytest.mark.loopwright(FOLDER), --loopwright-folder or loopwright_folder in the ini"
        raise pytest.UsageError(f"no controller named: use {ways}")
    source = arguments.get("source")
    try:
        subject = _load(_path(folder, config.rootpath), None if source is None else _path(source, config.rootpath))
    except LoopwrightError as error:
        pytest.fail(error.message(), pytrace=False)
    with subject:
        yield LoadedController(subject, int(arguments.get("horizon", HORIZON)), int(arguments.get("seed", SEED)))
