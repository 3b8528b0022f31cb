"""lobedesk: which camshaft is this? Hand measurements in, the part number (or an honest doubt) out.

Rooms, from the outside in: `cli`, `app`, `settings`, `web` and `adapters`, `workflows`, `documents` and
`catalogue_files`, `identification`, `lobe`, `domain`. Imports go one way only, down that list.
"""

__version__ = "0.1.0"
