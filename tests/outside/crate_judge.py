"""The public RO-Crate validator, run by the interpreter that has it; prints what it finds as JSON.

Usage: PYTHON crate_judge.py CRATE CONTEXT-FILE CACHE. The context is served from the file: the validator's
own cache of what it fetched is filled with it, and the validator told that it is offline.
"""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path

import requests
from requests_cache import CachedSession
from rocrate_validator import models, services
from urllib3 import HTTPResponse

PROFILE = "ro-crate-1.3"
URL = "https://w3id.org/ro/crate/1.3/context"


def serve(context: Path, cache: str) -> None:
    """Put the published context where the validator looks before it asks the network."""
    content, header = context.read_bytes(), {"Content-Type": "application/ld+json"}
    answer = requests.Response()
    answer.status_code, answer.url, answer._content = 200, URL, content
    answer.headers.update(header)
    answer.request = requests.Request("GET", URL).prepare()
    answer.raw = HTTPResponse(io.BytesIO(content), header, 200, preload_content=False)
    CachedSession(cache_name=cache, expire_after=-1, backend="sqlite").cache.save_response(answer)


def judged(crate: str, cache: str) -> list[dict[str, str]]:
    """Every issue of the levels REQUIRED and RECOMMENDED."""
    settings = services.ValidationSettings(
        rocrate_uri=crate,
        profile_identifier=PROFILE,
        requirement_severity=models.Severity.RECOMMENDED,
        abort_on_first=False,
        offline=True,
        cache_path=cache,
    )
    return [
        {"level": one.severity.name, "check": one.check.name, "entity": str(one.violatingEntity)}
        for one in services.validate(settings).get_issues()
    ]


if __name__ == "__main__":
    serve(Path(sys.argv[2]), sys.argv[3])
    sys.stdout.write(json.dumps(judged(sys.argv[1], sys.argv[3])))
