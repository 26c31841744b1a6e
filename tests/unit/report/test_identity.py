"""The head of a page: who, what and when, and what is kept from whom."""

import pytest

from nightbay.report.identity import identity

GIVEN = {"reference": "2207", "scanned_on": "2026-03-04", "registration": "NB 412", "vin": "N" * 17}


@pytest.mark.parametrize(
    ("show", "audience", "shown"),
    [
        (None, "shop", False),
        ("nowhere", "shop", False),
        ("shop", "shop", True),
        ("shop", "customer", False),
        ("both", "customer", True),
        ("both", "shop", True),
    ],
)
def test_the_vehicle_is_named_only_where_the_job_sheet_allows(show, audience, shown):
    given = GIVEN | ({} if show is None else {"show_vehicle": show})
    found = identity(given, audience)
    assert ("NB 412" in found.stated.values()) == shown
    assert ("N" * 17 in found.stated.values()) == shown


def test_what_is_not_given_is_not_stated():
    found = identity(GIVEN, "customer")
    assert found.stated == {"Reference": "2207", "Scanned on": "2026-03-04"}
    assert found.missing == ["place", "operator", "scanner", "scanner calibrated on"]
