"""Tree volume by published equations: sets of coefficients as data, a handful of forms in code."""

from glademark.forestry.volume_equations.equation_set import (
    EquationSet,
    TreePart,
    Trees,
    TreeVolume,
    VolumeStatus,
    WorkedExample,
    tree_volume,
)
from glademark.forestry.volume_equations.national import Honer, NationalVolumeSystem, Sharma
from glademark.forestry.volume_equations.regional import CompositeHardwood, FormClass, LakeStates
from glademark.forestry.volume_equations.registry import (
    EquationChoice,
    MadeTable,
    can_be_sold_as,
    choose_equation_set,
    contract_faults,
    equation_set_faults,
    equation_sets,
    load_equation_sets,
    make_volume_table,
    sale_volume,
    solid_volume_m3,
)

__all__ = [
    "CompositeHardwood",
    "EquationChoice",
    "EquationSet",
    "FormClass",
    "Honer",
    "LakeStates",
    "MadeTable",
    "NationalVolumeSystem",
    "Sharma",
    "TreePart",
    "TreeVolume",
    "Trees",
    "VolumeStatus",
    "WorkedExample",
    "can_be_sold_as",
    "choose_equation_set",
    "contract_faults",
    "equation_set_faults",
    "equation_sets",
    "load_equation_sets",
    "make_volume_table",
    "sale_volume",
    "solid_volume_m3",
    "tree_volume",
]
