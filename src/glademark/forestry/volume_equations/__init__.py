"""Tree volume by published equations: sets of coefficients as data, a handful of forms in code."""

from glademark.forestry.volume_equations.canada import Honer, Sharma
from glademark.forestry.volume_equations.composite_hardwood import CompositeHardwood
from glademark.forestry.volume_equations.equation_set import (
    EquationSet,
    TreePart,
    Trees,
    TreeVolume,
    VolumeStatus,
    WorkedExample,
    tree_volume,
)
from glademark.forestry.volume_equations.form_class import FormClass
from glademark.forestry.volume_equations.lake_states import LakeStates
from glademark.forestry.volume_equations.made_table import MadeTable, make_volume_table
from glademark.forestry.volume_equations.national import NationalVolumeSystem
from glademark.forestry.volume_equations.registry import (
    EquationChoice,
    choose_equation_set,
    contract_faults,
    equation_set_faults,
    equation_sets,
    load_equation_sets,
)
from glademark.forestry.volume_equations.sale_volume import (
    can_be_sold_as,
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
