"""The pytest plugin: fixture, marker, option and ini key, in test sessions of their own."""

from pathlib import Path

import pytest

from codegen.pipeline import ship_graph
from tests.examples.greenhouse_vent import vent_controller

pytest_plugins = ["pytester"]
ROOT = Path(__file__).parent.parent
CONTRACT = Path(__file__).parent / "examples" / "handwritten" / "vent.toml"
PLUGIN = ("-p", "codegen.pytest_plugin", "-p", "no:cacheprovider", "-p", "no:randomly")


@pytest.fixture(scope="module")
def vent(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plugin") / "vent"
    ship_graph(vent_controller(), "atmega328p", folder, ticks=400_000)
    return folder


def outcomes(pytester: pytest.Pytester, text: str, *arguments: str) -> dict[str, int]:
    pytester.makepyfile(text)
    result = pytester.runpytest_inprocess(*PLUGIN, "--strict-markers", *arguments)
    return result.parseoutcomes()


def test_marker_names_controller_horizon_and_seed(pytester: pytest.Pytester, vent: Path) -> None:
    text = f"""
        import numpy as np
        import pytest

        FOLDER = {str(vent)!r}

        @pytest.mark.loopwright(FOLDER, horizon=37, seed=9)
        def test_draws(loopwright_controller):
            inputs = loopwright_controller.draw("held", lanes=5)
            assert inputs.shape == (37, 2, 5)
            outputs = loopwright_controller.run(inputs).outputs
            assert outputs.min() >= 0 and outputs.max() <= 1000
            assert np.array_equal(inputs, np.load("draws.npy")) if __import__("os").path.exists("draws.npy") else True
            np.save("draws.npy", inputs)

        @pytest.mark.loopwright(FOLDER, horizon=37, seed=9)
        def test_same_seed_same_draws(loopwright_controller):
            assert np.array_equal(loopwright_controller.draw("held", lanes=5), np.load("draws.npy"))

        @pytest.mark.loopwright(folder=FOLDER)
        def test_steps(loopwright_controller):
            first = loopwright_controller.step(air_temperature=4000, wanted_temperature=2000)
            assert set(first) == {{"vent_position"}}
            for _ in range(100):
                last = loopwright_controller.step(air_temperature=4000, wanted_temperature=2000)
            assert last["vent_position"] > first["vent_position"]
            assert loopwright_controller.memory["air_last"] > 0
            loopwright_controller.reset()
            assert loopwright_controller.step(air_temperature=4000, wanted_temperature=2000) == first
            with pytest.raises(TypeError, match="no input wind"):
                loopwright_controller.step(wind=1)
    """

    assert outcomes(pytester, text) == {"passed": 3}


def test_folder_from_the_option(pytester: pytest.Pytester, vent: Path) -> None:
    text = """
        def test_it(loopwright_controller):
            assert loopwright_controller.inputs == ("air_temperature", "wanted_temperature")
            assert (loopwright_controller.horizon, loopwright_controller.seed) == (400, 1)
    """

    assert outcomes(pytester, text, f"--loopwright-folder={vent}") == {"passed": 1}


def test_contract_from_the_ini_and_an_edited_source(pytester: pytest.Pytester) -> None:
    pytester.makeini(f"[pytest]\nloopwright_folder = {CONTRACT}\n")
    creeping = CONTRACT.parent / "vent_creeping.c"
    text = f"""
        import pytest

        def test_outputs(loopwright_controller):
            assert loopwright_controller.outputs == ("opening",)

        @pytest.mark.loopwright(source={str(creeping)!r})
        def test_integral_creeps(loopwright_controller):
            for _ in range(10):
                loopwright_controller.step(air=3000)
            high = loopwright_controller.memory["integral"]
            loopwright_controller.step(air=-1)
            assert high - loopwright_controller.memory["integral"] == 2
    """

    assert outcomes(pytester, text) == {"passed": 2}


def test_nothing_named_or_no_shipment_fails_clearly(pytester: pytest.Pytester, tmp_path: Path) -> None:
    pytester.makepyfile(
        f"""
        import pytest

        def test_nothing(loopwright_controller):
            pass

        @pytest.mark.loopwright({str(tmp_path)!r})
        def test_wrong(loopwright_controller):
            pass
        """
    )
    result = pytester.runpytest_inprocess(*PLUGIN)

    assert result.parseoutcomes() == {"errors": 2}
    result.stdout.fnmatch_lines(["*no controller named*", "*this is no folder that `loopwright ship` wrote*"])


def test_whole_suite_from_a_test(pytester: pytest.Pytester) -> None:
    text = f"""
        import pytest

        @pytest.mark.loopwright({str(CONTRACT)!r}, seed=4)
        def test_properties(loopwright_controller):
            result = loopwright_controller.check()
            assert result.holds
            assert all(part.seed == 4 for part in result.results)
            assert sum(part.tried for part in result.results) == 5
    """

    assert outcomes(pytester, text) == {"passed": 1}


def test_marker_is_documented(pytester: pytest.Pytester) -> None:
    result = pytester.runpytest_inprocess(*PLUGIN, "--markers")

    result.stdout.fnmatch_lines(["@pytest.mark.loopwright(folder=None, *, source=None, horizon=400, seed=1)*"])
