"""Pixels of chosen frames, decoded one frame at a time."""

from __future__ import annotations

import io
import warnings
from collections import defaultdict
from collections.abc import Generator, Iterator, Sequence
from contextlib import closing
from typing import Any, BinaryIO, cast

import numpy as np
from numpy.typing import NDArray
from pydicom import Dataset, dcmread
from pydicom.pixels.decoders.base import get_decoder
from pydicom.pixels.utils import iter_pixels
from pydicom.uid import UID

from meniscal_measure.errors import UnreadableFileError, UsageError
from meniscal_measure.series.bounded import BoundedStream
from meniscal_measure.series.guarded import DECODER_ERRORS, in_words, shared_decoder
from meniscal_measure.series.model import FileRef, Frame, Stack
from meniscal_measure.series.sources import Opener

_PLUGINS = ("pydicom", "pylibjpeg", "pyjpegls", "pillow", "gdcm")
"""pydicom's decoder plug-ins in order of preference."""

_UNGUARDED = ("", "pydicom")
"""No decoder, or pydicom's own in Python: neither needs a process of its own."""


class StackPixels:
    """The pixels of a stack; each slice is decoded once, however often it is asked for."""

    def __init__(self, stack: Stack) -> None:
        self.stack = stack
        self._decoded: dict[int, NDArray[np.float32]] = {}

    def read(self, indices: Sequence[int] | None = None) -> NDArray[np.float32]:
        """Read some or all slices; see `read_pixels`."""
        wanted = list(range(len(self.stack.frames)) if indices is None else indices)
        missing = [index for index in wanted if index not in self._decoded]
        if missing:
            fresh = read_pixels(self.stack, missing)
            self._decoded.update(zip(missing, fresh, strict=True))
            if missing == wanted:
                return fresh
        return np.stack([self._decoded[index] for index in wanted])


def read_pixels(stack: Stack, indices: Sequence[int] | None = None) -> NDArray[np.float32]:
    """Read the pixels of some or all frames of a stack.

    Parameters
    ----------
    stack
        The stack.
    indices
        Frames to read, in the order wanted; all when None.

    Returns
    -------
    ndarray
        Intensities, shape [slice, row, column], float32: Rescale Slope and Intercept applied,
        larger always brighter.

    Raises
    ------
    UsageError
        If an index is outside the stack.
    UnreadableFileError
        If pixel data is missing, cut short or cannot be decoded.

    Examples
    --------
    >>> read_pixels(study.stacks[0], [0, 5]).shape
    (2, 256, 240)
    """
    wanted = list(range(len(stack.frames)) if indices is None else indices)
    outside = [index for index in wanted if not 0 <= index < len(stack.frames)]
    if outside:
        raise UsageError(
            f"Slice {outside[0]} is outside the stack; its {len(stack.frames)} slices are numbered"
            f" from 0 to {len(stack.frames) - 1}."
        )
    return read_frames([stack.frames[index] for index in wanted])


def read_frames(frames: Sequence[Frame]) -> NDArray[np.float32]:
    """Read the pixels of frames of one size; see `read_pixels`.

    Raises
    ------
    UnreadableFileError
        If pixel data is missing, cut short or cannot be decoded.
    """
    grid = frames[0].grid
    try:
        pixels = np.empty((len(frames), grid.rows, grid.columns), dtype=np.float32)
    except MemoryError as error:
        raise UnreadableFileError(
            f"{len(frames)} slices of {grid.rows} x {grid.columns} pixels do not fit into memory."
            " Copy the files again, or give the series alone."
        ) from error
    # pydicom warns when pixel data is longer than promised (padding is common) or the frame count
    # is odd. Neither harms a frame, and data that is too short raises.
    with Opener() as opener, warnings.catch_warnings():
        warnings.filterwarnings("ignore", module=r"pydicom\b")
        by_file: dict[FileRef, list[int]] = defaultdict(list)
        for place, frame in enumerate(frames):
            by_file[frame.file].append(place)
        for file, places in by_file.items():
            images = _decoded(_opened(opener, file), [frames[place] for place in places])
            for place, image in zip(places, images, strict=True):
                pixels[place] = image
    return pixels


def _opened(opener: Opener, file: FileRef) -> BinaryIO:
    try:
        return opener.open(file)
    except UnreadableFileError as error:
        error.within("{file:private}", file=str(file))
        raise


def _decoded(stream: BinaryIO, frames: Sequence[Frame]) -> Iterator[NDArray[np.float32]]:
    file, syntax = frames[0].file, UID(frames[0].encoding.transfer_syntax_uid)
    try:
        with stream, closing(_images(stream, frames)) as images:
            for frame, stored in zip(frames, images, strict=True):
                yield _intensities(stored, frame)
    except DECODER_ERRORS as error:
        raise UnreadableFileError(
            "The pixel data of {file:private} ({syntax:private}) cannot be decoded: {why}. Copy the"
            " file again, or ask for it to be exported uncompressed.",
            file=str(file),
            syntax=syntax.name,
            why=in_words(error),
        ) from error


def _images(stream: BinaryIO, frames: Sequence[Frame]) -> Generator[NDArray[Any], None, None]:
    file, syntax = frames[0].file, UID(frames[0].encoding.transfer_syntax_uid)
    plugin = _plugin(file, syntax)
    indices = [frame.frame_index or 0 for frame in frames]
    if plugin not in _UNGUARDED:
        packed = stream.read() if file.member is not None else file.path
        yield from shared_decoder.decode(packed, indices, syntax, plugin)
        return
    source: BinaryIO | Dataset = stream
    if syntax.is_deflated:  # pydicom finds pixels in the file only where they lie as they are
        source = dcmread(cast(BinaryIO, BoundedStream(stream)), force=True)
    elif frames[0].frame_index is None:
        source = io.BytesIO(stream.read())  # reading from memory is faster
    yield from iter_pixels(
        source,
        indices=indices,
        transfer_syntax_uid=syntax,
        decoding_plugin=plugin,
    )


def _intensities(stored: NDArray[Any], frame: Frame) -> NDArray[np.float32]:
    expected = (frame.grid.rows, frame.grid.columns)
    if stored.shape != expected:
        raise ValueError(f"decoded to shape {stored.shape} where the header has {expected}")
    encoding = frame.encoding
    values = stored.astype(np.float32)
    if encoding.mirrored_at is not None:
        values = np.float32(encoding.mirrored_at) - values
    values *= np.float32(encoding.rescale_slope)
    values += np.float32(encoding.rescale_intercept)
    return values


def _plugin(file: FileRef, syntax: UID) -> str:
    """Choose the decoder plug-in; empty where the pixels are not compressed."""
    try:
        decoder = get_decoder(syntax)
    except NotImplementedError as error:
        raise UnreadableFileError(
            "The pixel data of {file:private} is stored as {syntax:private}, which no decoder"
            " reads. Ask for it to be exported uncompressed.",
            file=str(file),
            syntax=syntax.name,
        ) from error
    if not decoder.is_available:
        raise UnreadableFileError(
            "The pixel data of {file:private} is stored as {syntax}, and no decoder for it is"
            " installed: {needs}. Install it, or ask for the images uncompressed.",
            file=str(file),
            syntax=syntax.name,
            needs="; ".join(decoder.missing_dependencies),
        )
    return min(decoder.available_plugins, key=_PLUGINS.index, default="")
