"""What the common BagIt library says of a bag: the second judge, written by others from the same RFC."""

from __future__ import annotations

import logging
import os
import warnings
from functools import cache
from pathlib import Path
from typing import Any

from pipeline.edges.disk_errors import storage_trouble


@cache
def second_judge() -> Any:
    """The library's own class, which asks of each path whether it leads out of the bag, folder by folder.

    It resolves every component of every path of both manifests, and that takes longer than all of its
    hashing. The answer for a file that is no link is its folder's; whatever else there is goes the whole way.
    """
    import bagit

    class Judge(bagit.Bag):  # type: ignore[misc] # the library has no types
        def __init__(self, path: str) -> None:
            self._inside: set[str] = set()
            super().__init__(path)

        def _path_is_dangerous(self, path: str) -> bool:
            folder, name = os.path.split(path)
            # Files by the ten thousand: `Path` would take longer than the question.
            link = os.path.islink(os.path.join(self.path, path))  # noqa: PTH114, PTH118
            if link or not folder or not name or ".." in path:
                return bool(super()._path_is_dangerous(path))
            if folder not in self._inside:
                if self._path_is_dangerous(folder):
                    return True
                self._inside.add(folder)
            return False

    return Judge


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
            second_judge()(str(bag)).validate()
    except bagit.BagValidationError as error:
        return sorted({str(detail) for detail in error.details} or {str(error)})
    except bagit.BagError as error:
        return [str(error)]
    except (ValueError, LookupError, TypeError, AttributeError, OSError) as error:
        return [f"it cannot read the bag: {type(error).__name__}: {error}"]
    finally:
        log.level = level
    return []
