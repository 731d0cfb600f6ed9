"""What the common BagIt library says of a bag: the second judge, written by others from the same RFC."""

from __future__ import annotations

import logging
import warnings
from pathlib import Path

from pipeline.edges.disk_errors import storage_trouble


def second_opinion(bag: Path) -> list[str]:
    """Everything the `bagit` library finds wrong with a bag.

    It also crashes on some malformed bags (facts: an Oxum without a dot, a manifest that is no UTF-8, a blank
    line in fetch.txt …); a crash of its counts as one thing wrong, because it would be one for anybody else.

    Args:
        bag: The bag's folder.

    Returns:
        Its complaints, sorted; empty where it finds the bag valid.

    Raises:
        StorageError: The folder cannot be read.
    """
    import bagit

    with storage_trouble(bag):
        next(bag.iterdir(), None)
    log = logging.getLogger("bagit")
    level, log.level = log.level, logging.CRITICAL + 1
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)
            bagit.Bag(str(bag)).validate()
    except bagit.BagValidationError as error:
        return sorted({str(detail) for detail in error.details} or {str(error)})
    except bagit.BagError as error:
        return [str(error)]
    except (ValueError, LookupError, TypeError, AttributeError, OSError) as error:
        return [f"it cannot read the bag: {type(error).__name__}: {error}"]
    finally:
        log.level = level
    return []
