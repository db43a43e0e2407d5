"""Columns that several layers and tables share, and what makes such columns."""

from dataclasses import replace

from glademark.contracts.layer import Column, count_column, real_column, text_column


def where_given(*columns: Column) -> tuple[Column, ...]:
    """Columns that are left out where what they need was not given."""
    return tuple(replace(column, optional=True) for column in columns)


def interval(name: str, unit: str, title: str, what: str) -> tuple[Column, ...]:
    """The two ends of an interval, left out where the position error is not carried through."""
    suffix = f"_{unit}" if unit else ""
    return where_given(
        *(
            real_column(
                f"{name}_{end}{suffix}", unit, f"{title}, {end}", f"{words} end of the {what}."
            )
            for end, words in (("low", "Low"), ("high", "High"))
        )
    )


AREA = real_column("area_m2", "m2", "Area", "Planar area in the working CRS.")

SLOPES = where_given(
    real_column(
        "slope_mean_pct", "%", "Mean slope", "Of the terrain's cells inside, by Horn's method."
    ),
    real_column("slope_p90_pct", "%", "90th percentile of slope", "One cell in ten is steeper."),
    real_column("slope_max_pct", "%", "Largest slope", "Of the terrain's cells inside."),
    text_column("aspect", "Main aspect", "Sector that most of its sloping cells face; or flat."),
)

BASAL_AREA = real_column(
    "basal_area_m2",
    "m2",
    "Basal area",
    "Cross-section of the stems at breast height, summed over trees.",
)

VOLUME_M3 = real_column(
    "volume_m3",
    "m3",
    "Solid volume",
    "Net solid volume; empty where it is not known of every tree.",
)

TREES_WITHOUT = count_column(
    "trees_without", "Trees without a volume", "Trees that the volumes of the row leave out."
)
