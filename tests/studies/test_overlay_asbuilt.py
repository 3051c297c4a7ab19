"""Parts of the overlay against closed forms: probability of lying in a zone, bands and correlation of densities."""

from __future__ import annotations

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from scipy.stats import norm

from thermosaic.published import Place
from thermosaic.studies.overlay_asbuilt import correlations, densities_frame
from thermosaic.studies.overlay_asbuilt.points import _zone


def zones_of(*shapes: shapely.Geometry) -> SimpleNamespace:
    """Give a result that holds these zones alone."""
    columns = {"pass_id": ["1"] * len(shapes), "zone_id": range(1, len(shapes) + 1)}
    return SimpleNamespace(frames={"cold_zones": gpd.GeoDataFrame(columns, geometry=list(shapes))})


def at(easting_m: float, northing_m: float, azimuth_deg: float) -> Place:
    """Give a place on a mat that runs along an azimuth."""
    turn = np.radians(azimuth_deg)
    unit = np.array([np.sin(turn), np.cos(turn)])
    return Place(easting_m, northing_m, 0.0, 0.0, unit, (-2.0, 2.0), 0, 0.0)


@pytest.mark.parametrize("off_m", [-0.9, -0.3, 0.0, 0.3, 0.9])
def test_probability_of_a_rectangle_is_the_normals(off_m):
    """On a mat that runs east, sigmas 0.6 along and 0.3 across: the product of two normal differences."""
    zone = shapely.box(-1.0, -0.5, 1.0, 0.5)
    found = _zone(zones_of(zone), "1", at(off_m, 0.2, 90.0), (0.6, 0.3))
    along = norm.cdf(1.0, off_m, 0.6) - norm.cdf(-1.0, off_m, 0.6)
    across = norm.cdf(0.5, 0.2, 0.3) - norm.cdf(-0.5, 0.2, 0.3)
    assert found["in_zone_frac"] == pytest.approx(along * across, abs=0.02)
    assert found["in_zone"] == (abs(off_m) < 1.0)
    assert found["zone_distance_m"] == pytest.approx(min(0.3, 1.0 - abs(off_m)), abs=1e-9)


def test_the_nearest_zone_is_named_and_all_count():
    """Between two zones the nearer is named, and the probability is of lying in either."""
    found = _zone(
        zones_of(shapely.box(1, -9, 9, 9), shapely.box(-9, -9, -0.5, 9)), "1", at(0, 0, 0.0), (1.0, 1.0)
    )
    assert (found["zone_id"], found["in_zone"]) == (2, False)
    assert found["in_zone_frac"] == pytest.approx(norm.sf(1.0) + norm.sf(0.5), abs=0.02)


def cores_of(count: int, kind: str = "core") -> pd.DataFrame:
    """Give cores whose density falls as the deficit grows."""
    deficit = np.linspace(0.0, 20.0, count)
    return pd.DataFrame({
        "kind": kind, "deficit_delta_c": deficit, "density_kg_m3": 2350 - 5 * deficit, "of_gmm_frac": np.nan,
        "temp_sd_delta_c": 1.0,
    })  # fmt: skip


def test_correlation_is_given_from_ten_on():
    """Nine cores are too few and say so; ten that fall strictly correlate at -1; gauges stay apart."""
    few = correlations(cores_of(9))[0]
    assert np.isnan(few.rho)
    assert "too few for a rank correlation" in few.text
    both = correlations(pd.concat([cores_of(10), cores_of(4, "gauge")]))
    assert [(item.kind, item.count) for item in both] == [("core", 10), ("gauge", 4)]
    assert (both[0].rho, both[0].high) == (pytest.approx(-1.0), pytest.approx(-1.0))
    assert "zero lies outside it" in both[0].text


def test_bands_are_those_of_the_zone_rule():
    """Limits of release and drop part the cores as counted by hand; a deficit on a limit belongs above it."""
    published = SimpleNamespace(rules={"zone": {"release_delta_c": 10.0, "drop_delta_c": 15.0}})
    table = densities_frame(published, cores_of(21))  # deficits 0, 1, .. 20
    assert table["core_count"].tolist() == [10, 5, 6]
    assert table["density_mean_kg_m3"].tolist() == pytest.approx(
        [2350 - 5 * 4.5, 2350 - 5 * 12.0, 2350 - 5 * 17.5]
    )
