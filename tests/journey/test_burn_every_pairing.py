"""Every pairing of facts, from dump to bag to programming file to old socket, by the command line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.formats import Declared, decode
from pipeline.publish.programming import as_bytes, plan_burn
from tests.journey.cli import wellread
from tests.kit.example_bags import EPOCH
from tests.property.test_burn_reads_back import CATALOGUE, FACTS_C, assert_reads_back, image_of, mask_levels

OLD = sorted({old for old, _ in FACTS_C})


@pytest.fixture(scope="module")
def bag(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bag with one chip of every old part, its content drawn by lot."""
    place = tmp_path_factory.mktemp("pairings")
    (place / "project" / "dumps").mkdir(parents=True)
    lines = [
        "machine: {id: pairings, name: Every old part}",
        "readers: {prog: {kind: device-programmer}}",
        "chips:",
    ]
    for old in OLD:
        part = CATALOGUE.find(old)
        content = as_bytes(image_of(part, seed=7), part.bits or 0)
        (place / "project" / "dumps" / f"C{old}.prog.1.bin").write_bytes(content)
        lines.append(f"  - {{chip: C{old}, part: '{old}'}}")
    (place / "project" / "sheet.yaml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SOURCE_DATE_EPOCH", EPOCH)
        done = wellread("package", place / "project", "--json")
    assert done.code == 0, done.err
    assert len(OLD) >= 15
    return Path(done.document["bag"])


@pytest.mark.parametrize(("old", "new"), FACTS_C, ids=lambda name: name)
def test_a_file_burned_from_a_bag_reads_back_through_the_old_socket(
    old: str, new: str, bag: Path, tmp_path: Path
) -> None:
    source, target = CATALOGUE.find(old), CATALOGUE.find(new)
    levels = mask_levels(source, target)
    selects = [
        word for pin, level in levels.items() for word in ("--select", f"{pin}={'high' if level else 'low'}")
    ]
    output = tmp_path / "file.hex"
    done = wellread(
        "burn",
        bag,
        "--chip",
        f"C{old}",
        "--into",
        new,
        "--format",
        "intel-hex",
        "-o",
        output,
        *selects,
        "--json",
    )
    assert done.code == 0, done.err
    image = image_of(source, seed=7)
    plan = plan_burn(image, source, target, select_levels=levels)
    (blocks,) = decode(output.read_bytes(), Declared(format="intel-hex", bits=8)).runs
    content = np.concatenate([block.words for block in blocks]).astype(np.uint8).tobytes()
    assert content == as_bytes(plan.words, target.bits or 0)
    assert done.document["plan"]["device_sum16"] == f"{sum(content) & 0xFFFF:04X}"
    assert_reads_back(plan, image, levels, seed=3, samples=60)
