"""From readings to an answer that is kept: what is answered from, the cache, a case and its rounds."""
