"""The pages of the local page and what its forms do: fields in, one order or one look at a folder out."""

import json
from dataclasses import asdict, replace
from pathlib import Path
from zoneinfo import available_timezones

from flask import Blueprint, Response, abort, redirect, request, url_for
from werkzeug.wrappers import Response as AnyResponse

from fieldcomb.coverage.jobs.job_protocol import ADD, DRAW, EDIT, NEW, Changes, HeldFile, Order
from fieldcomb.coverage.pages.card import card_html
from fieldcomb.coverage.pages.leaflet import leaflet_css, leaflet_js
from fieldcomb.coverage.pages.templating import page_file
from fieldcomb.coverage.site.folder import CARD_FILE
from fieldcomb.coverage.site.in_force import settings_in_force
from fieldcomb.coverage.site.options_fields import FIELD, TypedAt
from fieldcomb.coverage.site.settings import OutingEntry
from fieldcomb.coverage.web import forms
from fieldcomb.coverage.web.access import KEPT_A_DAY, OUTPUT_POLICY
from fieldcomb.coverage.web.area_routes import area_routes
from fieldcomb.coverage.web.copy_routes import copy_routes
from fieldcomb.coverage.web.find_routes import find_routes
from fieldcomb.coverage.web.lane_routes import lane_routes
from fieldcomb.coverage.web.responses import (
    Desk,
    answer_job,
    message,
    output_page,
    page_of,
    served_site,
    uploaded_files,
)
from fieldcomb.coverage.web.site_views import SiteView, outing_ids, view
from fieldcomb.coverage.web.uploads import MOST_FILES, MOST_REQUEST_BYTES
from fieldcomb.tracks.errors import FieldcombError, UsageError

OWN_FILES = {
    "serve.css": "text/css",
    **dict.fromkeys(("serve.js", "plan.js", "areas.js", "lanes.js", "waiting.js", "finds.js"), "text/javascript"),
}
LEAFLET = {"leaflet.js": ("text/javascript", leaflet_js), "leaflet.css": ("text/css", leaflet_css)}


def blueprint(desk: Desk) -> Blueprint:
    """Return all routes but the entry."""
    pages = Blueprint("pages", __name__)
    _looking(pages, desk)
    _making(pages, desk)
    _correcting(pages, desk)
    _waiting(pages, desk)
    area_routes(pages, desk)
    find_routes(pages, desk)
    copy_routes(pages, desk)
    lane_routes(pages, desk)
    return pages


# ------------------------------------------------------------------------------------------------- looking


def _looking(pages: Blueprint, desk: Desk) -> None:
    @pages.get("/")
    def sites() -> AnyResponse:
        found = desk.served.sites()
        if desk.served.is_single and found and not found[0].fault:
            return redirect(url_for("pages.site", key=found[0].key), 303)
        most = {"most_bytes": MOST_REQUEST_BYTES, "most_files": MOST_FILES, "field": FIELD}
        return page_of(desk, "sites", "Sites", sites=found, **most)

    @pages.get("/site/<key>/")
    def site(key: str) -> AnyResponse:
        found = served_site(desk, key)
        busy = desk.jobs.working_on(str(found.folder))
        values = {
            "most_bytes": MOST_REQUEST_BYTES,
            "most_files": MOST_FILES,
            "fields": forms.form_fields(TypedAt.ADDED),
        }
        return page_of(desk, "site", found.settings.name, site=found, busy=busy, field=FIELD, **values)

    @pages.get("/site/<key>/file/<name>")
    def file(key: str, name: str) -> AnyResponse:
        found = next((file for file in served_site(desk, key).files if file.name == name), None)
        if found is None:
            abort(404)
        return output_page(found.path, name)

    @pages.get("/card")
    def card() -> AnyResponse:
        return _card(card_html(None))

    @pages.get("/site/<key>/card")
    def site_card(key: str) -> AnyResponse:
        site = served_site(desk, key)
        return _card(card_html(site.settings, site.advice))

    @pages.get("/own/<name>")
    def own(name: str) -> AnyResponse:
        if name in LEAFLET:
            kind, made = LEAFLET[name]
            return Response(made(), content_type=f"{kind}; charset=utf-8")
        if name not in OWN_FILES:
            abort(404)
        kept = {"Cache-Control": KEPT_A_DAY}
        return Response(page_file(f"web/static/{name}"), content_type=f"{OWN_FILES[name]}; charset=utf-8", headers=kept)


def _card(html: str) -> Response:
    answer = Response(html)
    answer.headers["Content-Security-Policy"] = OUTPUT_POLICY
    if "save" in request.args:
        answer.headers["Content-Disposition"] = f"attachment; filename={CARD_FILE}"
    return answer


# -------------------------------------------------------------------------------------------------- making


def _making(pages: Blueprint, desk: Desk) -> None:
    @pages.get("/new")
    def new() -> AnyResponse:
        if desk.served.is_single:
            abort(404)
        return page_of(
            desk, "new", "A new site", zones=sorted(available_timezones()), most_bytes=MOST_REQUEST_BYTES, field=FIELD
        )

    @pages.post("/new")
    def make() -> AnyResponse:
        name = forms.site_name(request.form)
        with forms.beside_field("name"):
            folder = desk.served.place_for(name)
        zone = forms.text_of_field(request.form, "zone") or "UTC"
        cell = forms.text_of_field(request.form, "cell") or "10cm"
        way = request.form.get("way", "none")
        with desk.uploads.taking() as held:
            given = _edge_given(desk, way)
            held += [] if given is None else [given]
            order = Order(NEW, str(folder), name=name, zone=zone, cell=cell, draw=False)
            order = replace(order, edge=given) if way == "edge" else replace(order, boundary=given)
            return answer_job(desk.jobs.submit(order))

    @pages.post("/site/<key>/add")
    def add(key: str) -> AnyResponse:
        site = served_site(desk, key)
        typed = forms.typed_of_form(request.form)
        uploads, roster = uploaded_files("tracks"), uploaded_files("roster")
        if not uploads:
            raise UsageError("no recording was chosen", hint="Drop a recording on the page, or choose one")
        if len(uploads) > MOST_FILES:
            raise UsageError(f"{len(uploads)} files are too many at once", hint=f"Send at most {MOST_FILES} at a time")
        start, end, label, note = (forms.text_of_field(request.form, name) for name in ("from", "to", "label", "note"))
        with desk.uploads.taking() as held:
            for upload in (*uploads, *roster):
                held.append(desk.uploads.take(upload))
            order = Order(
                ADD,
                str(site.folder),
                files=tuple(held[: len(uploads)]),
                roster=held[-1] if roster else None,
                typed=typed,
                start=start,
                end=end,
                label=label,
                note=note,
                each=request.form.get("each") == "yes" and not roster,
            )
            return answer_job(desk.jobs.submit(order))

    @pages.post("/site/<key>/draw")
    def draw(key: str) -> AnyResponse:
        depth = forms.text_of_field(request.form, "depth")
        return answer_job(desk.jobs.submit(Order(DRAW, str(served_site(desk, key).folder), depth=depth)))


def _edge_given(desk: Desk, way: str) -> HeldFile | None:
    """Return what a new site's edge is taken from: drawn corners, or a file; None for a site without one."""
    if way == "draw":
        with forms.beside_field("corners"):
            corners = forms.corners_of(request.form.get("corners", ""))
        return desk.uploads.take_text("the edge that you drew", forms.edge_geojson(corners))
    if way not in ("boundary", "edge"):
        return None
    files = uploaded_files(way)
    if len(files) != 1:
        raise UsageError("no file was chosen for the edge", hint="Choose one, or make the site without an edge")
    return desk.uploads.take(files[0])


# ---------------------------------------------------------------------------------------------- correcting


def _correcting(pages: Blueprint, desk: Desk) -> None:
    @pages.get("/site/<key>/outing/<outing_id>")
    def outing(key: str, outing_id: str) -> AnyResponse:
        site, found = _outing(desk, key, outing_id)
        recordings = [(recording, forms.recording_texts(recording)) for recording in found.recordings]
        fields = {"fields": forms.form_fields(TypedAt.OUTING), "own_fields": forms.form_fields(TypedAt.RECORDING)}
        in_force = [(one, settings_in_force(site.settings, found, one)) for one in found.recordings]
        texts = {"texts": forms.outing_texts(found), "recordings": recordings, "in_force": in_force}
        return page_of(desk, "outing", f"Outing {outing_id}", site=site, outing=found, **texts, **fields)

    @pages.post("/site/<key>/outing/<outing_id>")
    def correct(key: str, outing_id: str) -> AnyResponse:
        site, found = _outing(desk, key, outing_id)
        changes = forms.changes_of(request.form, forms.outing_texts(found))
        return answer_job(desk.jobs.submit(Order(EDIT, str(site.folder), outing=outing_id, changes=changes)))

    @pages.post("/site/<key>/outing/<outing_id>/recording")
    def correct_one(key: str, outing_id: str) -> AnyResponse:
        site, found = _outing(desk, key, outing_id)
        stored = request.form.get("stored")
        entry = next((recording for recording in found.recordings if recording.stored == stored), None)
        if entry is None:
            abort(404)
        changes = forms.changes_of(request.form, forms.recording_texts(entry))
        order = Order(EDIT, str(site.folder), outing=outing_id, recording=entry.stored, changes=changes)
        return answer_job(desk.jobs.submit(order))

    @pages.post("/site/<key>/outing/<outing_id>/left-out")
    def leave_out(key: str, outing_id: str) -> AnyResponse:
        site, _ = _outing(desk, key, outing_id)
        left_out = request.form.get("left_out") == "yes"
        remain = any(not outing.left_out for outing in site.outings if outing.id != outing_id) or not left_out
        changes: Changes = {"left_out": left_out or None}
        return answer_job(
            desk.jobs.submit(Order(EDIT, str(site.folder), outing=outing_id, changes=changes, draw=remain))
        )


def _outing(desk: Desk, key: str, outing_id: str) -> tuple[SiteView, OutingEntry]:
    site = served_site(desk, key)
    found = site.outing(outing_id)
    return (site, found) if found is not None else abort(404)


# ------------------------------------------------------------------------------------------------- waiting


def _waiting(pages: Blueprint, desk: Desk) -> None:
    @pages.get("/job/<job_id>")
    def job(job_id: str) -> AnyResponse:
        found = desk.jobs.get(job_id)
        if found is None:
            return message("This job is no longer known.", 404, hint="What was kept of it is on the page of the site.")
        folder = Path(found.order.site)
        site = None
        if found.is_over and desk.served.find(folder.name) is not None:
            try:
                site = view(folder)
            except FieldcombError:
                site = None  # its own page shows the fault
        return page_of(
            desk,
            "job",
            "Done" if found.is_over else "Working",
            job=found,
            key=folder.name,
            site=site,
            busy=desk.jobs.working_on(found.order.site),
        )

    @pages.get("/job/<job_id>/state")
    def job_state(job_id: str) -> AnyResponse:
        found = desk.jobs.get(job_id)
        if found is None:
            abort(404)
        values = {"state": found.state, "over": found.is_over, "before": found.before, **asdict(found.progress)}
        del values["notes"]  # an archive of a whole account has thousands, and the page is asked for them once
        return Response(json.dumps(values), content_type="application/json")

    @pages.post("/job/<job_id>/stop")
    def stop(job_id: str) -> AnyResponse:
        desk.jobs.stop(job_id)
        return redirect(url_for("pages.job", job_id=job_id), 303)


def outing_ids_at(site: str) -> tuple[str, ...]:
    """Return the ids of a site's outings, by the path of its folder."""
    return outing_ids(Path(site))
