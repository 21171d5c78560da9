"""The readings of a document, made beside the server: the newest wish wins."""

from __future__ import annotations

import threading
import time
import traceback

from lanes.page.document import Document
from lanes.page.reader import Outcome, Reader, Superseded

# After a quick reading of one lane all stages run once more, so that what is shown is what is
# saved; not before the hand rests.
REST_S = 1.5
LOOK_S = 0.01  # between two looks whether a plate is read


class Worker:
    """One thread a document. `ask` wakes it; a change made meanwhile ends what it does."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self._wake = threading.Event()
        self._end = False
        self._reading = threading.Lock()  # the document's reader serves one reading at a time
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def ask(self) -> None:
        """Read the document as it now stands."""
        self._wake.set()

    def stop(self) -> None:
        """Stop what is being read; the next change starts anew."""
        with self.document.lock:
            self.document.stopped = True
            self.document.progress = None
        self.document.changed()

    def close(self) -> None:
        """End the thread."""
        self._end = True
        self._wake.set()

    def _run(self) -> None:
        while True:
            self._wake.wait()
            self._wake.clear()
            if self._end:
                return
            self._read(self.document.revision, settle=False)
            outcome = self.document.outcome
            if outcome is not None and not outcome.whole and not self._wake.wait(REST_S):
                threading.Thread(target=self._read, daemon=True,
                                 args=(self.document.revision, True)).start()

    def _read(self, revision: int, settle: bool) -> None:
        document = self.document
        if settle:
            reader = document.reader.twin()
            if self._publish(reader, revision, settle) and self._reading.acquire(blocking=False):
                document.reader.adopt(reader)
                self._reading.release()
            return
        with self._reading:
            self._publish(document.reader, revision, settle)

    def _publish(self, reader: Reader, revision: int, settle: bool) -> bool:
        document = self.document

        def progress(stage: str, done: int, whole: int) -> None:
            if document.revision != revision or document.stopped or self._end:
                raise Superseded
            if not settle:
                document.progress = (stage, done, whole)
                document.changed()

        try:
            outcome = reader.read(document.settings, progress, whole=settle)
        except Superseded:
            return False
        except Exception as error:  # a defect: the page must say so and stay usable
            traceback.print_exc()
            outcome = Outcome(document.settings, document.layout, None,
                              f"the reading broke off ({type(error).__name__}): undo the last "
                              "change, or report this with the picture", 0, True)
        return document.publish(outcome, revision)


def wait_until_read(document: Document, seconds: float = 60.0) -> bool:
    """Return whether the newest state of `document` is read within `seconds`; for tests."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if document.outcome_revision == document.revision:
            return True
        time.sleep(LOOK_S)
    return False
