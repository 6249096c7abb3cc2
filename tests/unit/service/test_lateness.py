from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from bridge.service.lateness import LIMIT_US, Histogram


@given(st.lists(st.integers(0, (LIMIT_US - 1) * 1000), min_size=1, max_size=500))
def test_percentiles_are_those_of_the_sorted_list(durations: list[int]) -> None:
    histogram = Histogram()
    for duration in durations:
        histogram.add_ns(duration)
    whole = sorted(d // 1000 for d in durations)
    found = histogram.percentiles()
    for name, share in (("p50", 0.5), ("p99", 0.99), ("p999", 0.999)):
        expected = next(us for i, us in enumerate(whole) if i + 1 >= share * len(whole))
        assert found[name] == expected  # type: ignore[literal-required]  # the names are the dict's own
    assert histogram.worst == whole[-1]


def test_empty_is_zero_and_outliers_stay_within() -> None:
    histogram = Histogram()
    assert histogram.percentiles() == {"p50": 0.0, "p99": 0.0, "p999": 0.0}
    histogram.add_ns(-5)
    histogram.add_ns(10**12)
    assert histogram.percentiles()["p50"] == 0.0
    assert histogram.percentiles()["p99"] == LIMIT_US
