"""The camera page's picture, from the chessboard photos that the package mvtb-data carries.

python -m docs.figures.make_camera_picture
"""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

from align import calibrate
from align.calibration.picture import save_calibration_picture

if __name__ == "__main__":
    spec = find_spec("mvtbdata")
    assert spec is not None, "pip install mvtb-data"
    assert spec.submodule_search_locations is not None
    photos = sorted((Path(spec.submodule_search_locations[0]) / "images").glob("calibration/left*.jpg"))
    result = calibrate(photos, board=(9, 6), square_mm=25.0)
    save_calibration_picture(result, Path(__file__).with_name("camera.png"))
