"""Data sets of the package that `open_data.py` fetches, read without R."""

import bz2
import lzma
import warnings
import zlib
from pathlib import Path
from typing import Any

import rdata
from open_data import FOLDER, TREES


def mapped(name: str, folder: Path = FOLDER) -> Any:  # noqa: ANN401 - whatever R stored
    """A data set by its name; `FileNotFoundError` where the package was not fetched."""
    blocks = folder / TREES
    index = _loaded(zlib.decompressobj(47).decompress(blocks.with_suffix(".rdx").read_bytes()))
    offset, length = (int(value) for value in index["variables"][name])
    block = blocks.read_bytes()[offset : offset + length]
    kind, body = block[4:5], block[5:]
    if kind == b"2":
        return _loaded(bz2.decompress(body))
    if kind == b"Z":
        filters = [{"id": lzma.FILTER_LZMA2}]
        return _loaded(lzma.decompress(body, lzma.FORMAT_RAW, filters=filters))
    return _loaded(zlib.decompress(block[4:]))


def _loaded(raw: bytes) -> Any:  # noqa: ANN401 - whatever R stored
    """An R object; classes without a twin in Python come back as plain mappings."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return rdata.conversion.convert(rdata.parser.parse_data(raw))
