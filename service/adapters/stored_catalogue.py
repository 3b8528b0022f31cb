"""A catalogue as bytes and back, unchecked and so many times quicker than its JSON form: for what was checked before it
was kept, and is read by the code that kept it."""

from __future__ import annotations

import hashlib
import zlib

import msgspec

from service import __version__
from service.domain.catalogue import Catalogue

# made where the module is imported, as `stored_types.reader` says
_DECODER = msgspec.json.Decoder(Catalogue)
_ENCODER = msgspec.json.Encoder()

_SHAPE = hashlib.sha256(repr(msgspec.json.schema(Catalogue)).encode()).hexdigest()
WRITTEN_BY = f"{__version__} {_SHAPE[:16]}"
"""Names this code: another release may check more, and another shape of a catalogue cannot be read."""

_QUICKEST = 1


def catalogue_to_bytes(catalogue: Catalogue) -> bytes:
    """A catalogue, deflated; what the code of the same `WRITTEN_BY` reads."""
    return zlib.compress(_ENCODER.encode(catalogue), _QUICKEST)


def catalogue_from_bytes(kept: bytes) -> Catalogue:
    """The catalogue of `catalogue_to_bytes`, equal to what it was."""
    return _DECODER.decode(zlib.decompress(kept))
