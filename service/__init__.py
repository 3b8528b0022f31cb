"""lobedesk: which camshaft is this? Hand measurements in, the part number (or an honest doubt) out.

Imports go one way only, from `cli` down to `domain`; DEVELOPERS.md says what is in which room.
"""

__version__ = "0.1.0"
