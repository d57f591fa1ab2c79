from __future__ import annotations

from pathlib import Path

import pytest

from tests.heart.shop import Heart, site


@pytest.fixture
def heart(tmp_path: Path) -> Heart:
    return Heart(site(tmp_path))
