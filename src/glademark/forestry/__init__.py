"""
The ground floor: the trade's arithmetic, on plain numbers and arrays.

Nothing here knows of maps or files but its own packaged data.
"""

from glademark.forestry.allometry import (
    BREAST_HEIGHT_M,
    breast_height_diameter_cm,
    crown_radius_m,
)
from glademark.forestry.cruise import (
    CruiseTrees,
    Estimate,
    PlotDesign,
    TallyScope,
    estimate_mean,
    estimate_strata,
    per_hectare,
    plots_needed,
    scope_differences,
)
from glademark.forestry.log_rules import (
    CORD_SOLID_FT3,
    LOG_RULE_TITLES,
    LOG_RULES,
    Product,
    green_tons_per_m3,
    product_key,
    scale_logs,
    to_solid_m3,
)
from glademark.forestry.size_classes import (
    NO_DIAMETER,
    SizeClasses,
    basal_area_m2,
    quadratic_mean_diameter_cm,
)
from glademark.forestry.species import (
    PACKAGED_SPECIES,
    UNKNOWN_SPECIES,
    OwnSpecies,
    Source,
    SpeciesNames,
    common_names,
    find_species,
    nearest_species,
    source,
    species_table,
)
from glademark.forestry.volume_equations import (
    EquationChoice,
    EquationSet,
    MadeTable,
    TreePart,
    Trees,
    TreeVolume,
    choose_equation_set,
    equation_sets,
    make_volume_table,
    sale_volume,
    solid_volume_m3,
    tree_volume,
)
from glademark.forestry.volume_table import VolumeTable
from glademark.forestry.volume_table_rows import TableRow

__all__ = [
    "BREAST_HEIGHT_M",
    "CORD_SOLID_FT3",
    "LOG_RULES",
    "LOG_RULE_TITLES",
    "NO_DIAMETER",
    "PACKAGED_SPECIES",
    "UNKNOWN_SPECIES",
    "CruiseTrees",
    "EquationChoice",
    "EquationSet",
    "Estimate",
    "MadeTable",
    "OwnSpecies",
    "PlotDesign",
    "Product",
    "SizeClasses",
    "Source",
    "SpeciesNames",
    "TableRow",
    "TallyScope",
    "TreePart",
    "TreeVolume",
    "Trees",
    "VolumeTable",
    "basal_area_m2",
    "breast_height_diameter_cm",
    "choose_equation_set",
    "common_names",
    "crown_radius_m",
    "equation_sets",
    "estimate_mean",
    "estimate_strata",
    "find_species",
    "green_tons_per_m3",
    "make_volume_table",
    "nearest_species",
    "per_hectare",
    "plots_needed",
    "product_key",
    "quadratic_mean_diameter_cm",
    "sale_volume",
    "scale_logs",
    "scope_differences",
    "solid_volume_m3",
    "source",
    "species_table",
    "to_solid_m3",
    "tree_volume",
]
