"""Answers of the local page, and what its routes work with."""

import json
from dataclasses import dataclass

from flask import Response, request, url_for

from fieldcomb.coverage.pages.templating import fill
from fieldcomb.coverage.web.job_queue import JobQueue
from fieldcomb.coverage.web.site_views import SiteRoot
from fieldcomb.coverage.web.uploads import Uploads


@dataclass(frozen=True, slots=True, eq=False)
class Desk:
    """Everything that the routes work with."""

    served: SiteRoot
    jobs: JobQueue
    uploads: Uploads
    share: str = ""  # the address for a phone; empty when the page is not shared
    qr: str = ""  # the same as a picture in SVG


def wants_json() -> bool:
    """Whether the page's own script asks, which shows a message in place."""
    return request.accept_mimetypes.best == "application/json"


def message(text: str, code: int, *, hint: str = "") -> Response:
    """Answer with a message, as a page or, for the page's own script, as JSON."""
    if wants_json():
        return Response(json.dumps({"problem": f"{text} {hint}".strip()}), code, content_type="application/json")
    page = fill("web/templates/message.html", title="Not done", problem=text, hint=hint, url=url_for)
    return Response(page, code)
