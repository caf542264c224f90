"""Answers of the local page, and what its routes work with."""

import json
from collections.abc import Sequence
from pathlib import Path

from flask import Response, abort, redirect, request, send_file, url_for
from werkzeug.datastructures import FileStorage
from werkzeug.wrappers import Response as AnyResponse

from fieldcomb.coverage.jobs.job_queue import Job, JobQueue
from fieldcomb.coverage.pages.templating import fill
from fieldcomb.coverage.web.access import OUTPUT_POLICY
from fieldcomb.coverage.web.site_views import SiteRoot, SiteView, view
from fieldcomb.coverage.web.uploads import Uploads
from fieldcomb.tracks.values import dataclass


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


def message(text: str, code: int, *, hint: str = "", field: str = "") -> Response:
    """Answer with a message, as a page or, for the page's own script, as JSON.

    field : the field of the form that is at fault, where it is one.
    """
    if wants_json():
        told = {"problem": f"{text} {hint}".strip(), "field": field}
        return Response(json.dumps(told), code, content_type="application/json")
    page = fill("web/templates/message.html", title="Not done", problem=text, hint=hint, url=url_for)
    return Response(page, code)


def page_of(desk: Desk, template: str, title: str, **values: object) -> Response:
    """Answer with one of the page's own templates."""
    shared = {"share": desk.share, "qr": desk.qr, "is_single": desk.served.is_single}
    return Response(fill(f"web/templates/{template}.html", title=title, url=url_for, **shared, **values))


def served_site(desk: Desk, key: str) -> SiteView:
    """Return a site by its key; there is no such page where there is no such site."""
    folder = desk.served.find(key)
    return view(folder) if folder is not None else abort(404)


def uploaded_files(key: str) -> Sequence[FileStorage]:
    """Return the files of one field; a browser sends one without a name where nothing was chosen."""
    return [one for one in request.files.getlist(key) if one.filename]


def answer_job(job: Job) -> AnyResponse:
    """Send the reader to where the work can be watched."""
    place = url_for("pages.job", job_id=job.id)
    if wants_json():
        return Response(json.dumps({"job": place}), 202, content_type="application/json")
    return redirect(place, 303)


def output_page(path: Path, name: str) -> AnyResponse:
    """Answer with a file of an output folder: a page to look at, anything else to save."""
    is_page = name.endswith(".html") and "save" not in request.args
    kind = "text/html" if name.endswith(".html") else "application/octet-stream"
    answer = send_file(path, kind, as_attachment=not is_page, download_name=name, etag=False)
    answer.headers["Content-Security-Policy"] = OUTPUT_POLICY
    return answer
