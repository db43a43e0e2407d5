"""Which features of a layer have which symbol, and which column names them on a map."""

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from glademark.contracts.layers import LAYERS
from glademark.report.layer_symbols import MARKS, SETBACKS, SYMBOLS, ZONES, Symbol

STYLED = tuple(
    name for name, layer in LAYERS.items() if layer.geometry and name in {*SYMBOLS, "zones"}
)
"""Layers of the GeoPackage that have a symbol, in its order."""

LABELS = MappingProxyType(
    {"corridors": "corridor", "openings": "opening", "exclusions": "name", "landings": "name"}
)
"""Column of a layer that names its features."""

Rules = Sequence[tuple[str, Symbol, tuple[str, str] | None]]
_RULES: Mapping[str, tuple[str, Mapping[str, Symbol]]] = MappingProxyType(
    {"zones": ("zone", ZONES), "marks": ("kind", MARKS), "setbacks": ("rule", SETBACKS)}
)


def rules_of(name: str) -> Rules:
    """Title, symbol and condition (column, value) of each rule of a layer."""
    if name not in _RULES:
        return ((LAYERS[name].title, SYMBOLS[name], None),)
    column, symbols = _RULES[name]
    return tuple(
        (value.replace("_", " "), symbol, (column, value)) for value, symbol in symbols.items()
    )
