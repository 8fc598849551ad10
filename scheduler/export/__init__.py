"""Run-time tables in the shape a controller's import, or a person at its keypad, takes.

`profile.py`    what a profile may say, and reading one (TOML); `profiles/` holds the shipped ones
`held.py`       programmes of controllers that take no start time a station
`table.py`      plan + profile -> rows of cells, with everything that does not fit
`formats.py`    rows <-> CSV, JSON, fixed width, XLSX
`write.py`      the table on the disk, read back before it is published
`again.py`      a plan that stands, written again in another shape
"""

from scheduler.export.profile import Profile, load_profile, shipped_profiles
from scheduler.export.table import run_tables
from scheduler.export.write import read_back, write_run_times

__all__ = ["Profile", "load_profile", "read_back", "run_tables", "shipped_profiles", "write_run_times"]
