"""Lists and ids go into tables as text in one way, and come back as they were."""

import pandas as pd
from hypothesis import given
from hypothesis import strategies as st

from slopekit.schema.as_text import excluded_id, is_spot, joined, listed, zone_id
from slopekit.schema.tables import table_of

# A machine is called by a bare key of TOML: letters, digits, dash and underscore (toml.io, v1.0.0, Keys).
NAMES = st.lists(st.text("abzAZ019-_", min_size=1, max_size=5), max_size=5)


@given(NAMES)
def test_a_list_comes_back(names: list[str]) -> None:
    assert list(listed(joined(names))) == names


def test_what_is_missing_is_no_list() -> None:
    assert [listed(missing) for missing in ("", None, float("nan"), pd.NA)] == [()] * 4


@given(st.text(min_size=1), st.integers(1, 10**6), st.booleans())
def test_an_id_tells_whether_it_is_of_spots(parcel: str, number: int, spot: bool) -> None:
    one = zone_id(parcel, number, spot=spot)
    assert one.startswith(f"{parcel}-") and is_spot(one) == spot
    assert one != zone_id(parcel, number, spot=not spot) and not is_spot(excluded_id(parcel))


def test_a_table_is_text_where_records_have_lists() -> None:
    shared = {"parcel_id": "p", "zone_id": "p-z1", "geometry": None, "spot": False}
    records = [{**shared, "permitted": names, "reasons": ()} for names in (("a", "b"), (), ("c",))]
    table = table_of("zones", records, "EPSG:25832")
    assert table["permitted"].tolist() == ["a,b", "", "c"] and table["reasons"].tolist() == ["", "", ""]
    assert "spot" not in table and table["parcel_id"].tolist() == ["p"] * 3
