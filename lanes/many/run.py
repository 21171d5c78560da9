"""Many plates from the arguments to the finished folder."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, closing
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from lanes.errors import InputError, OutputError, one_line
from lanes.many.across import chart_csv, series_of
from lanes.many.find import find_plates, left_out, natural, shown
from lanes.many.index import index_html
from lanes.many.ledger import (
    CHART_CSV,
    CHART_PNG,
    INDEX,
    PLATES_CSV,
    PLATES_JSON,
    done_in,
    drop_file,
    drop_plate,
    is_own,
    opened,
    refuse_folder,
    refuse_other,
    write_file,
    write_plate,
)
from lanes.many.local import LocalWorkers, cores
from lanes.many.plan import Plan, plan
from lanes.many.progress import Progress
from lanes.many.summary import Failure, Summary, counted, plates_json, read_record, summary
from lanes.many.table import plates_csv
from lanes.many.watch import folders_of, settled
from lanes.many.work import Outcome, Work
from lanes.settings import Settings


class Workers(Protocol):
    """Whoever reads plates: processes of this machine, or a cluster's."""

    def run(self, works: Sequence[Work]) -> Iterator[tuple[Work, Outcome]]:
        """Yield each of `works` with its outcome as it comes."""


@dataclass(frozen=True)
class Job:
    """What was asked for.

    Attributes
    ----------
    sources : sequence of str
        Files and folders.
    out : str
        The folder to write.
    settings : Settings
    figures, force : bool
        Draw pictures; replace plates that were read by other settings.
    workers : int or None
        How many processes; None for one a processor.
    cluster : str or None
        Address of a running scheduler, instead of processes of this machine.
    shared_path : bool
        The cluster's workers open the files by their path.
    """

    sources: Sequence[str]
    out: str
    settings: Settings
    figures: bool = True
    force: bool = False
    workers: int | None = None
    cluster: str | None = None
    shared_path: bool = False


@dataclass(frozen=True)
class Result:
    """What a run came to: all plates of the folder, and those that could not be read."""

    plates: Sequence[Summary]
    failed: Sequence[Failure]
    already: int = 0


def read_plates(job: Job) -> Result:
    """Read every plate that `job` means into its folder.

    Returns
    -------
    Result

    Raises
    ------
    InputError
        If the files and folders, or the cluster, can't be used.
    OutputError
        If the folder can't be written; what is done stays, and is not done again.
    """
    refuse_other(job.out)
    paths = find_plates(job.sources)
    _refuse_results(job.sources)
    _say_left_out(job)
    with opened(job.out) as out:
        todo = plan(out, paths, job.settings, job.figures)
        for path, folder in todo.todo:
            refuse_folder(out, folder, path, job.force)
        failed: list[Failure] = []
        if todo.todo:
            with (closing(Progress(len(todo.todo))) as progress,
                  _workers(job, len(todo.todo)) as workers):
                if todo.done:
                    progress.say(f"{counted(len(todo.done), 'plate')} done before")
                _say_names(progress, todo)
                failed = _read(job, out, todo, workers, progress)
        return Result(_finish(out, failed, job.figures), failed, len(todo.done))


def watch_plates(job: Job) -> Result:
    """Read what is dropped into folders until stopped from the keyboard (Ctrl-C).

    Parameters, result and errors are those of `read_plates`; a plate whose folder is taken by an
    earlier reading is one that fails.
    """
    refuse_other(job.out)
    folders = folders_of(job.sources)
    _refuse_results(job.sources)
    failed: dict[Path, Failure] = {}
    already = 0
    with opened(job.out) as out, closing(Progress(None)) as progress:
        plates = _finish(out, (), job.figures)
        try:
            with _workers(job, None) as workers:
                progress.say(f"watching {', '.join(map(shown, folders))}: stop with Ctrl-C")
                for ready in settled(folders):
                    if not ready:
                        continue
                    for path in ready:
                        failed.pop(path, None)
                    todo = _watched(job, out, ready, failed, progress)
                    already += len(todo.done)
                    _say_names(progress, todo)
                    paths = {folder: path for path, folder in todo.todo}
                    failed |= {paths[one.folder]: one
                               for one in _read(job, out, todo, workers, progress)}
                    plates = _finish(out, list(failed.values()), job.figures)
        except KeyboardInterrupt:
            plates = _finish(out, list(failed.values()), job.figures)
        return Result(plates, list(failed.values()), already)


def _watched(
    job: Job, out: Path, ready: Sequence[Path], failed: dict[Path, Failure], progress: Progress
) -> Plan:
    todo = plan(out, ready, job.settings, job.figures)
    free = []
    for path, folder in todo.todo:
        try:
            refuse_folder(out, folder, path, job.force)
        except OutputError as error:
            failed[path] = Failure(folder, shown(path.name), one_line(error))
            progress.plate(folder, one_line(error))
        else:
            free.append((path, folder))
    return Plan(tuple(free), todo.done)


def _refuse_results(sources: Sequence[str]) -> None:
    for text in sources:
        if is_own(Path(text)):
            raise InputError(f"{shown(text)} is a folder of results: give the folder of the scans")


def _say_left_out(job: Job) -> None:
    for folder in filter(Path.is_dir, map(Path, job.sources)):
        left = [counted(count, what) for what, count in left_out(folder, Path(job.out)).items()
                if count]
        if left:
            print(f"lanes: left out of {shown(folder)}: {', '.join(left)}; what is to be read is "
                  "given by its own name", file=sys.stderr)


def _workers(job: Job, most: int | None) -> AbstractContextManager[Workers]:
    if job.cluster is not None:
        from lanes.many.cluster import ClusterWorkers

        return ClusterWorkers(job.cluster, job.shared_path)
    count = job.workers or cores()
    return LocalWorkers(count if most is None else min(count, most))


def _say_names(progress: Progress, todo: Plan) -> None:
    for path, folder in todo.todo:
        if folder != path.stem:
            progress.say(f"{shown(path)} goes to folder {folder}")


def _read(
    job: Job, out: Path, todo: Plan, workers: Workers, progress: Progress
) -> list[Failure]:
    """Read what is to be read; return what could not be, in the order of `todo`."""
    folders = {os.fspath(path): folder for path, folder in todo.todo}
    works = [Work(path, job.settings, job.figures) for path in folders]
    errors: dict[str, str] = {}
    for work, outcome in workers.run(works):
        folder = folders[work.path]
        if outcome.error is None:
            write_plate(out, folder, outcome.files, job.force)
        else:
            errors[folder] = outcome.error
            if (out / folder).exists():
                drop_plate(out, folder)
        progress.plate(folder, outcome.error)
    return [Failure(folder, shown(path.name), errors[folder])
            for path, folder in todo.todo if folder in errors]


def _finish(out: Path, failed: Sequence[Failure], figures: bool) -> list[Summary]:
    """Write what stands over all plates of `out`, from their folders alone.

    So a run that was taken up again ends with the same bytes as one that never stopped.
    """
    done = done_in(out)
    first: dict[str, str] = {}
    plates, records = [], []
    for order, one in enumerate(done, 1):
        record = read_record(out, one.folder)
        copy_of = first.setdefault(one.sha256, one.folder)
        plates.append(summary(one, record, None if copy_of == one.folder else copy_of))
        if copy_of == one.folder:
            # One scan counts once, or it would seem to repeat perfectly.
            records.append((order, one.folder, {"settings": record["settings"], "lanes": [
                {"name": lane["name"], "spots": lane["spots"]} for lane in record["lanes"]]}))
    failed = sorted(failed, key=lambda one: natural(one.folder))
    found = series_of(records)
    chart = None
    if found and figures:
        from lanes.many.chart import chart_png

        chart = chart_png(found)
    write_file(out, PLATES_CSV, plates_csv(out, done))
    for name, data in ((CHART_CSV, chart_csv(found) if found else None), (CHART_PNG, chart)):
        if data is None:
            drop_file(out, name)
        else:
            write_file(out, name, data)
    write_file(out, INDEX, index_html(out, plates, failed, found, chart))
    write_file(out, PLATES_JSON, plates_json(plates, failed))
    return plates
