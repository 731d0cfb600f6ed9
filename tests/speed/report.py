"""The report of a large set against `bagit` making and validating a bag of the same set, pages included.

Both are timed by the processor, in one process: waiting for the disk, which only the bag does, is not held
against it.
"""

from __future__ import annotations

import gc
import os
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pipeline.views.report import chip_page, chip_page_name, first_page, summary_of
from tests.kit.report_samples import Sample, many

CHIPS = int(os.environ.get("WELLREAD_SPEED_CHIPS", "10000"))
SLICES = 8


def rows() -> Iterator[tuple[str, float, float]]:
    """Making every page, and the first page alone, over bagit's cost for the set.

    In slices, turn and turn about.
    """
    sample = many(CHIPS)
    # Templates are compiled once a process: warmed here as the imports are.
    _ = chip_page(sample.head, sample.chips[0], sample.load)
    _ = first_page(sample.head, [summary_of(sample.chips[0])])
    # The sample stands in memory whole, where a run streams it: keep the collector from walking it again and
    # again.
    gc.collect()
    gc.freeze()
    started = time.process_time()
    index = first_page(sample.head, [summary_of(chip) for chip in sample.chips])
    index_seconds = time.process_time() - started
    report_seconds, bagit_seconds = index_seconds, 0.0
    for first in range(0, CHIPS, -(-CHIPS // SLICES)):
        chips = sample.chips[first : first + -(-CHIPS // SLICES)]
        started = time.process_time()
        pages = [(chip_page_name(chip), chip_page(sample.head, chip, sample.load)) for chip in chips]
        report_seconds += time.process_time() - started
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place) / "bag"
            _write(folder, sample, chips, pages)
            bagit_seconds += _bag(folder)
    gc.unfreeze()
    yield f"all pages of {CHIPS:,} chips over bagit's make and validate", report_seconds / bagit_seconds, 1.0
    yield f"the first page of {CHIPS:,} chips over the same", index_seconds / bagit_seconds, 0.2
    yield "the first page's megabytes for 2,000 chips of these", len(index) / CHIPS * 2000 / 1e6, 3.0


def _write(folder: Path, sample: Sample, chips: list[dict[str, Any]], pages: list[tuple[str, bytes]]) -> None:
    """Two readings a chip as the benchmark of packaging has them, the images and masks, the pages."""
    for chip in chips:
        image = sample.payload[chip["image"]["path"]]
        readings = folder / "readings" / chip["board"] / chip["chip"]
        readings.mkdir(parents=True)
        (readings / f"{chip['chip']}.programmer.1.bin").write_bytes(image)
        (readings / f"{chip['chip']}.breadboard.1.bin").write_bytes(image)
        for name in filter(None, (chip["image"]["path"], chip["image"]["mask_path"])):
            path = folder / name.removeprefix("data/")
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(sample.payload[name])
    for name, content in pages:
        path = folder / "report" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)


def _bag(folder: Path) -> float:
    """Processor seconds that the bagit library takes to make and to validate a bag with both manifests."""
    import bagit

    started = time.process_time()
    bag = bagit.make_bag(str(folder), checksums=["sha256", "sha512"])
    assert bag.is_valid()
    return time.process_time() - started
