"""What the greenhouse's vent (invented) ought to do, in float64: PI, limited, and no faster than 2 % a second."""

from collections.abc import Mapping


def held(x: float, low: float, high: float) -> float:
    """X inside [low, high]."""
    return min(max(x, low), high)


def step(memory: dict[str, float], inputs: Mapping[str, float]) -> dict[str, float]:
    """One second: temperatures in degC in, share of fully open out."""
    error = held(inputs["air"], -40.0, 80.0) - held(inputs["wanted"], 0.0, 40.0)
    memory["integral"] = held(memory.get("integral", 0.0) + 262.0 / 65536.0 * 0.1 * error, 0.0, 1.0)
    aim = held(205.0 / 256.0 * 0.1 * error + memory["integral"], 0.0, 1.0)
    last = memory.get("last", 0.0)
    memory["last"] = last + held(aim - last, -0.02, 0.02)
    return {"opening": memory["last"]}
