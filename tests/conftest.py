"""What all tests share: one thread for small matrices, as on the command line; sweeps run when asked for."""

import gc
import os
from functools import cache

import typer.testing
from hypothesis import settings

from tests import drawn

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
typer.testing._get_command = cache(typer.testing._get_command)  # else every command asked builds all of them anew
gc.disable()  # reading the tests makes millions of small objects that all stay
if os.environ.get("CI"):  # the same draws at every run there; by hand they are new ones
    settings.register_profile("ci", derandomize=True)
    settings.load_profile("ci")


def pytest_addoption(parser):
    parser.addoption(
        "--sweeps", action="store_true", help="run what is drawn, all of it, and the long seasons; nothing else"
    )


def pytest_configure(config):
    config.addinivalue_line("markers", "sweep: too long for every day; only with --sweeps")
    config.addinivalue_line("markers", "drawn: draws a part by default, and all with --sweeps")
    drawn.WHOLE = config.getoption("--sweeps")
    if not drawn.WHOLE and not any("::" in str(a) for a in config.args):  # compiling takes longer than what is left
        os.environ.setdefault("NUMBA_DISABLE_JIT", "1")


def pytest_collection_finish():
    gc.freeze()  # what was read is not gone through again, and what a plan is built of seldom has a cycle
    gc.set_threshold(50_000, 20, 20)
    gc.enable()


def pytest_collection_modifyitems(config, items):
    def chosen(item):
        if not drawn.WHOLE:
            return item.get_closest_marker("sweep") is None
        of_hypothesis = getattr(getattr(item, "obj", None), "is_hypothesis_test", False)
        return of_hypothesis or any(item.get_closest_marker(m) for m in ("sweep", "drawn"))

    left = [item for item in items if not chosen(item)]
    if left and not any("::" in str(a) for a in config.args):  # a test named on the command line runs in any case
        config.hook.pytest_deselected(items=left)
        items[:] = [item for item in items if chosen(item)]
