"""A program of its own that decodes compressed frames, one after the other, from a pipe to a pipe.

A code stream made to harm, or merely spoilt, can crash a decoding library. Here that costs one
child process and ends in a coded refusal, not in the death of the caller.

Request: length (8 bytes), then a DICOM file that holds one frame. Answer: one letter (kind of
number, or ``x`` for failure), bytes a number, rows, columns (4 bytes each), then the numbers or,
after a failure, a text of the length given as rows.
"""

from __future__ import annotations

import struct
import sys
from pathlib import Path
from typing import IO

REQUEST = struct.Struct("<Q")
ANSWER = struct.Struct("<cLLL")
MOST_MEMORY = 4 * 2**30


def main() -> None:
    """Serve until the caller closes the pipe; the argument is a scratch file."""
    _bound_memory()
    scratch = Path(sys.argv[1])
    requests, answers = sys.stdin.buffer, sys.stdout.buffer
    while len(head := requests.read(REQUEST.size)) == REQUEST.size:
        scratch.write_bytes(requests.read(REQUEST.unpack(head)[0]))
        _answer(scratch, answers)
        answers.flush()


def _bound_memory() -> None:
    try:
        import resource
    except ImportError:  # not on every system
        return
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))


def _answer(scratch: Path, answers: IO[bytes]) -> None:
    import SimpleITK as sitk  # noqa: N813 - the name its users know

    try:
        stored = sitk.GetArrayFromImage(sitk.ReadImage(str(scratch), imageIO="GDCMImageIO"))
        rows, columns = stored.shape[-2:]
        kind = stored.dtype.kind if stored.size == rows * columns else "x"
    except (RuntimeError, MemoryError, ValueError) as error:
        text = str(error).rsplit("ERROR", 1)[-1].encode("utf-8", "replace")[:500]
        answers.write(ANSWER.pack(b"x", 0, len(text), 0) + text)
        return
    if kind not in "iu":
        answers.write(ANSWER.pack(b"x", 0, 0, 0))
        return
    answers.write(ANSWER.pack(kind.encode(), stored.dtype.itemsize, rows, columns))
    answers.write(stored.tobytes())


if __name__ == "__main__":
    main()
