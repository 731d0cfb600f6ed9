"""A burn plan for a person: where the image stands, what the programmer shows, what to do to which pin."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from pipeline.catalogue.cautions import DEFERENCE
from pipeline.one_line import one_line

if TYPE_CHECKING:
    from pipeline.bench.pairing import Joint
    from pipeline.catalogue.cautions import Caution
    from pipeline.publish.programming import Burn
    from pipeline.to_do import ToDo


def burn_text(burn: Burn, waiting: ToDo | None = None) -> str:
    """The plan as plain text: content, sums, pins, warnings, cautions.

    Args:
        burn: The plan.
        waiting: What is still to be done about the chip: what is wrong with this very image comes before
            advice that holds for every one.
    """
    pairing = burn.pairing
    blocks = [
        f"{pairing.target.part} ({burn.organisation}) for a {pairing.source.part} socket",
        *([chips_to_do([waiting])] if waiting is not None and waiting.tasks else []),
        *([_listed("First", [f"! {one}." for one in burn.dangers])] if burn.dangers else []),
        _content(burn),
        _pins(burn),
        *([_listed("Warnings", burn.warnings)] if burn.warnings else []),
        cautions_text(burn.cautions),
    ]
    return "\n\n".join(blocks)


def chips_to_do(waiting: Sequence[ToDo]) -> str:
    """What is still to be done about the chips whose content is burned, worst first."""
    return _listed(
        "Still to be done about what is burned",
        [
            one_line(f"{chip.chip}, {task.severity} {task.code}: {task.means}")
            for chip in waiting
            for task in chip.tasks
        ],
    )


def cautions_text(found: Sequence[Caution]) -> str:
    """The cautions, the dangerous marked, and who comes first."""
    listed = _listed("Cautions", [("! " if one.dangerous else "") + one.text for one in found])
    return f"{listed}\n{DEFERENCE}"


def _content(burn: Burn) -> str:
    at = ", ".join(f"0x{start:X}" for start in burn.copies[:8]) + (" ..." if len(burn.copies) > 8 else "")
    place = {
        "whole": "fills the chip",
        "repeated": f"repeated {len(burn.copies)} times, at word {at}",
        "at-offset": f"at word {at}, the rest filled with {burn.fill:X}" if burn.fill is not None else "",
    }[burn.layout]
    return "\n".join(
        (
            f"Image               {place}",
            (
                f"Sum, 16 bits        {burn.device_sum16:04X} for the whole chip, {burn.image_sum16:04X} "
                f"for the image alone"
            ),
            f"CRC-32              {burn.device_crc32:08X} for the whole chip",
        )
    )


def _pins(burn: Burn) -> str:
    pairing = burn.pairing
    if burn.withheld:
        return f"Pins                {burn.withheld}."
    if not pairing.needs_adapter:
        return "Pins                goes straight into the socket"
    head = "Pins"
    if pairing.shift:
        head += f" (pin {pairing.shift + 1} of the new part over hole 1 of the socket)"
    head += ":"
    stamp = f"  {burn.stamp}" if burn.stamp else ""
    lines = [f"{_joint(joint)}{stamp}" for joint in pairing.worked]
    confidence = (
        f"Pins of the {part.part}: {part.source.type}, confidence {part.confidence}."
        for part in (pairing.source, pairing.target)
    )
    return "\n".join([head, *lines, *confidence])


def _joint(joint: Joint) -> str:
    lifted = "keep it out of the hole below; " if joint.lifted else ""
    what = {
        "wire": f"wire it to hole {joint.hole}",
        "tie": f"tie it {'to +5 V' if joint.level else 'to ground' if joint.level == 0 else 'to its supply'}"
        + (f" (hole {joint.hole})" if joint.hole else ""),
        "either": "tie it to ground or +5 V",
        "ask": "take it from the data sheet",
        "open": "join it to nothing",
        "straight": "straight",
        "follows": "straight",
    }[joint.action]
    reason = f"  ({joint.why})" if joint.why else ""
    return f"  {joint.pin:>2}  {joint.name:<10} {lifted}{what}{reason}"


def _listed(title: str, texts: list[str] | tuple[str, ...]) -> str:
    return "\n".join((title, *(f"- {text}" for text in texts)))
