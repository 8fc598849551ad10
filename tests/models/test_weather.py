"""How the library of reference ET is loaded; what it gives is checked in tests/published."""

import sys

from models import sky


def test_a_pyet_that_asks_more_of_xarray_is_loaded_with_it(monkeypatch):
    load, asked = sky.import_module, []

    def picky(name):
        asked.append("xarray" in sys.modules and not hasattr(sys.modules["xarray"], "__file__"))
        if asked[-1]:
            raise AttributeError("module 'xarray' has no attribute 'Dataset'")
        return load(name)

    monkeypatch.delitem(sys.modules, "xarray", raising=False)
    monkeypatch.setattr(sky, "import_module", picky)
    assert sky.pyet.__wrapped__().meteo_utils.calc_press(0.0) > 100.0
    assert asked == [True, False]
