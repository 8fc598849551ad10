"""A new site folder to begin from: `evenfall new`.

`answers.py`   what was asked and answered, and what is taken where nothing was      `write.py`   the folder, in one go
`own_zones.py` a person's own table of zones, as they keep it (`headers.py`: what they call things)
`made_zones.py` zones of a site that gives no table of its own
`toml.py`      site.toml with comments in a manager's words
`samples.py`   invented series that match the zones and end today, so that every file shows what belongs into it
"""

from scheduler.starter.answers import Answers, answered
from scheduler.starter.write import Written, write_starter

__all__ = ["Answers", "Written", "answered", "write_starter"]
