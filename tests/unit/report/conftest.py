import pytest

import report_pages


@pytest.fixture
def whole(tmp_path):
    """What the stages leave of a small vehicle with one opening and filled faces."""
    return report_pages.whole(tmp_path)
