"""The design of every kind of machine."""

from __future__ import annotations

from codegen.design.design import Design
from codegen.design.rolling import RollingDesign

AnyDesign = Design | RollingDesign
