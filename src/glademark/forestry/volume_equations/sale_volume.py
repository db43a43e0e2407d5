"""Volumes of trees in the unit that a product is sold in, and in solid m3."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from glademark.forestry.products import Product, to_solid_m3
from glademark.forestry.volume_equations.equation_set import TreePart, TreeVolume
from glademark.units import SOLID_M3

__all__ = ["can_be_sold_as", "sale_volume", "solid_volume_m3"]

_BOARD_FEET = {"board foot": 1.0, "MBF": 1000.0}


def solid_volume_m3(volumes: TreeVolume) -> NDArray[np.float64]:
    """
    Solid volume of each tree [m3].

    Parameters
    ----------
    volumes
        As `tree_volume` gives them.

    Returns
    -------
    volume
        NaN for board feet and cords: they have no general conversion.
    """
    return volumes.volume * SOLID_M3.get(volumes.part.unit, np.nan)


def can_be_sold_as(part: TreePart, product: Product) -> bool:
    """
    Whether the volume of a part can be given in a product's sale unit.

    Parameters
    ----------
    part
        Part of the tree, with its unit.
    product
        What it is sold as.

    Returns
    -------
    fits
        True for the same unit and log rule, and for solid volume where the product has a solid
        content.
    """
    if part.unit in _BOARD_FEET and product.unit in _BOARD_FEET:
        return part.log_rule == product.log_rule
    if part.unit in SOLID_M3:
        return product.unit == "green ton" or bool(np.isfinite(to_solid_m3(1.0, product)[0]))
    return part.unit == product.unit


def sale_volume(
    volumes: TreeVolume, product: Product, *, species_code: ArrayLike | None = None
) -> tuple[NDArray[np.float64], str]:
    """
    Volume of each tree in the unit that a product is sold in.

    Parameters
    ----------
    volumes
        As `tree_volume` gives them.
    product
        What they are sold as.
    species_code
        FIA codes of the trees; needed for green tons only.

    Returns
    -------
    amount
        NaN where the units do not meet: board feet never come from cubic volume, nor from another
        log rule.
    conversion
        One phrase that names the conversion, or says why there is none.

    Examples
    --------
    >>> from glademark.forestry.volume_equations import Trees, equation_sets, tree_volume
    >>> pine = Trees(dbh_cm=[30.0], height_m=[20.0], species_code=129)
    >>> volumes = tree_volume(pine, equation_set=equation_sets()["national-2024"])
    >>> sale_volume(volumes, Product(name="pulpwood", unit="cord"))[1]
    '79 ft3 of solid wood in a cord (Minnesota Statutes 239.33)'
    """
    part = volumes.part
    if not can_be_sold_as(part, product):
        return volumes.volume * np.nan, f"{part.sale_unit} does not turn into {product.sale_unit}"
    if part.unit in _BOARD_FEET:
        factor = _BOARD_FEET[part.unit] / _BOARD_FEET[product.unit]
        return volumes.volume * factor, f"{part.sale_unit} by {volumes.source}"
    if part.unit == product.unit:
        return volumes.volume, f"{part.sale_unit} by {volumes.source}"
    solid, conversion = to_solid_m3(1.0, product, species_code=species_code)
    return solid_volume_m3(volumes) / solid, conversion
