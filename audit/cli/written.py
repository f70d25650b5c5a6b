"""What ``hinge-audit check`` writes: to standard output, into a folder, and while it goes on."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Self

from audit.cli.progress import RunProgress
from audit.errors import OutputError

if TYPE_CHECKING:
    from audit.batch import Gate, Journal
    from audit.gate import FileVerdict, JudgedFile, Run, Writer


@dataclass(frozen=True, slots=True)
class Written:
    """What is asked for about what is written: formats, folder, record, and whether to go on.

    What the record's files are parted by is None where no policy says it.
    """

    names: tuple[str, ...]
    out: Path | None
    record: Path | None
    show: str | None
    partition: tuple[str, ...] | None
    replace: bool
    resume: bool
    quiet: bool


@contextmanager
def writers_for(written: Written) -> Iterator[list[Writer]]:
    """Give the writers that are asked for; files in the folder appear at the end, all or none."""
    from audit.files import draft_folder, not_written, put_in_place
    from audit.gate import output_formats

    names, out = written.names, written.out
    formats = output_formats()
    writers: list[Writer] = []
    if not written.quiet and ("text" in names or out is not None):
        writers.append(formats["text"].writer(_StandardOutput()))
    if out is None:
        writers += [formats[name].writer(_StandardOutput()) for name in names if name != "text"]
        yield writers
        return
    targets = [formats[name].file for name in names]
    with draft_folder(out) as draft:
        try:
            with ExitStack() as stack:
                for name in names:
                    file = stack.enter_context((draft / formats[name].file).open("wb"))
                    writers.append(formats[name].writer(file))
                yield writers
        except OutputError:
            raise
        except OSError as error:
            raise not_written(out, error) from error
        put_in_place(targets, draft, out)


class Clearing:
    """Takes the line of the progress away before anything is written at the end."""

    def __init__(self, progress: RunProgress) -> None:
        self._progress = progress

    def file(self, judged: JudgedFile) -> None:
        """Leave it as it is."""

    def end(self, run: Run) -> None:
        """Take it away."""
        self._progress.clear()


class _StandardOutput:
    """Standard output as a sink of bytes."""

    def write(self, data: bytes) -> int:
        """Write UTF-8, or what the terminal takes instead."""
        sys.stdout.flush()
        encoding = (sys.stdout.encoding or "utf-8").lower().replace("-", "")
        if sys.stdout.isatty() and encoding != "utf8":
            data = data.decode("utf-8").encode(encoding, "backslashreplace")
        try:
            written = sys.stdout.buffer.write(data)
            sys.stdout.buffer.flush()
        except BrokenPipeError as error:
            # Whoever was reading has gone, and the interpreter must not stumble over that when it ends.
            with suppress(OSError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            raise OutputError("nobody reads standard output any more") from error
        return written


class Kept:
    """The journal of a run that writes to a folder; it goes once all results are in place."""

    def __init__(self, gate: Gate, files: list[str], written: Written) -> None:
        self.is_complete = False
        self.journal: Journal[FileVerdict] | None = None
        if written.out is None:
            return
        from audit.files import refuse_taken
        from audit.gate import output_formats

        # Before the journal makes the folder: what is in the way is told by its own name.
        targets = [output_formats()[name].file for name in written.names]
        inputs = [Path(path) for path in files if os.path.basename(path) in targets]
        refuse_taken([written.out / each for each in targets], inputs, replace=written.replace)
        self.journal = gate.journal(written.out, files, resume=written.resume)

    def __enter__(self) -> Self:
        """Begin."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close it."""
        if self.journal is not None:
            self.journal.close(finished=self.is_complete and kind is None)
