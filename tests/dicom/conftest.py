"""The film on disk: a fixture that writes one and gives its path."""

import pytest
from dx_writer import film_bytes


@pytest.fixture
def film(tmp_path):
    def write(pixels, **elements):
        path = tmp_path / "film.dcm"
        path.write_bytes(film_bytes(pixels, **elements))
        return path

    return write
