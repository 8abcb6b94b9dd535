"""Planted defects: the classic fixed-point mistakes, put into a controller's C text one by one and judged method by method."""

from codegen.defects.campaign import check_judge, run_campaign, standard_methods
from codegen.defects.catalogue import KINDS, WORST_KINDS, Planting, plant_defects
from codegen.defects.planting import Mutant
from codegen.defects.report import DefectReport, KindRow, Survivor

__all__ = [
    "KINDS",
    "WORST_KINDS",
    "DefectReport",
    "KindRow",
    "Mutant",
    "Planting",
    "Survivor",
    "check_judge",
    "plant_defects",
    "run_campaign",
    "standard_methods",
]
