"""The window of the file, in the grey values that are measured."""

import numpy as np
import pydicom
import pytest
from dx_writer import table_item

from cohortlib.dicom import read_display_window, read_radiograph
from cohortlib.errors import StudyError

RAMP = np.arange(4096, dtype=np.uint16).reshape(64, 64)


# by hand


@pytest.mark.parametrize(
    ("elements", "expected"),
    [
        ({}, None),
        # LINEAR, PS3.3 C.11.2.1.2.1: at or below 40 - 0.5 - 399/2 black, above 40 - 0.5 + 399/2 white
        ({"WindowCenter": 40, "WindowWidth": 400}, (-160, 239)),
        ({"WindowCenter": [40, 90], "WindowWidth": [400, 10]}, (-160, 239)),
        ({"WindowCenter": 40, "WindowWidth": 400, "VOILUTFunction": "LINEAR_EXACT"}, (-160, 240)),
        ({"WindowCenter": 40, "WindowWidth": 400, "VOILUTFunction": "SIGMOID"}, (-160, 240)),
        ({"WindowCenter": 40, "WindowWidth": 0}, None),
        ({"WindowCenter": 40}, None),
        # turned round as the pixels are: v becomes 4095 - v
        ({"WindowCenter": 40, "WindowWidth": 400, "PhotometricInterpretation": "MONOCHROME1"}, (3856, 4255)),
        # a table that is flat up to input 12 and from input 14 on
        ({"VOILUTSequence": [table_item([0, 0, 0, 5, 9, 9], first=10)]}, (12, 14)),
        ({"VOILUTSequence": [table_item([9, 9, 9, 5, 0, 0], first=10)]}, (4081, 4083)),
    ],
)
def test_window(film, elements, expected):
    assert read_display_window(film(RAMP, BitsStored=12, **elements)) == expected


# by reference


@pytest.mark.parametrize("function", ["LINEAR", "LINEAR_EXACT"])
@pytest.mark.parametrize("photometric", ["MONOCHROME1", "MONOCHROME2"])
def test_shown_grey_agrees_with_pydicom(film, function, photometric):
    # source: pydicom.pixels.apply_windowing, after which MONOCHROME1 is turned round
    path = film(
        RAMP,
        BitsStored=12,
        PhotometricInterpretation=photometric,
        WindowCenter=1500,
        WindowWidth=800,
        VOILUTFunction=function,
        RescaleSlope=2,
        RescaleIntercept=-100,
    )
    dataset = pydicom.dcmread(path)
    expected = pydicom.pixels.apply_windowing(RAMP * 2.0 - 100, dataset)
    expected = (expected - expected.min()) / np.ptp(expected)
    expected = 1 - expected if photometric == "MONOCHROME1" else expected
    black, white = read_display_window(path)
    shown = np.clip((read_radiograph(path).pixels - black) / (white - black), 0, 1)
    assert np.allclose(shown, expected, atol=1e-6)


# by failure


def test_a_file_that_is_no_radiograph_has_no_window(film):
    with pytest.raises(StudyError, match="Number of Frames"):
        read_display_window(film(RAMP, NumberOfFrames=4))
