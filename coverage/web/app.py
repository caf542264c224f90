"""The local page as a web application: who is let in, what every answer carries, and what a refusal looks like."""

from flask import Flask, Request, Response, request, url_for
from werkzeug.exceptions import HTTPException

from fieldcomb.coverage.pages.templating import fill
from fieldcomb.coverage.site.journal import room_or_rights
from fieldcomb.coverage.web.access import ENTRY, HEADERS, KEPT_A_DAY, PAGE_POLICY, Gate
from fieldcomb.coverage.web.forms import FieldError
from fieldcomb.coverage.web.responses import Desk, message
from fieldcomb.coverage.web.routes import blueprint
from fieldcomb.coverage.web.uploads import MOST_FILES, MOST_REQUEST_BYTES
from fieldcomb.tracks.errors import FieldcombError

ASKED = ("Host", "Origin", "Sec-Fetch-Site", "Cookie")
MOST_TEXT_BYTES = 1 << 20  # of one field of a form
ROOM_FOR_FIELDS_BYTES = 4 << 20

_PLAIN = {
    403: "This request was refused.",
    404: "There is no such page. The site, the outing or the file may have been renamed.",
    405: "This request was refused.",
    413: f"That is more than {MOST_REQUEST_BYTES >> 20} MB or {MOST_FILES} files at once. Send fewer files at a time.",
}


def make_app(desk: Desk, gate: Gate) -> Flask:
    """Build the application.

    desk : the served folder, the line of orders, the uploads.
    gate : who is let in.
    """
    app = Flask("fieldcomb.page", static_folder=None, template_folder=None)
    app.config["MAX_CONTENT_LENGTH"] = MOST_REQUEST_BYTES + ROOM_FOR_FIELDS_BYTES
    app.config["MAX_FORM_MEMORY_SIZE"] = MOST_TEXT_BYTES
    app.config["MAX_FORM_PARTS"] = MOST_FILES + 100
    app.before_request(lambda: _refused(gate))
    app.after_request(_dressed)
    app.register_error_handler(HTTPException, _odd)
    app.register_error_handler(FieldcombError, _told)
    app.register_error_handler(OSError, _system)

    @app.get(f"{ENTRY}<token>")
    def enter(token: str) -> Response:
        if not gate.is_token(token):
            return message("This address is not valid any more.", 403, hint="Use the one printed last.")
        # A page that goes on by itself, not a redirect: a strict cookie is not sent on one that began elsewhere.
        answer = Response(fill("web/templates/enter.html", url=url_for))
        answer.set_cookie(gate.cookie_name, gate.session, httponly=True, samesite="Strict", path=gate.prefix)
        return answer

    app.register_blueprint(blueprint(desk))
    return app


def asked_headers(given: Request) -> dict[str, str]:
    """Return the headers that decide who is let in."""
    return {name: given.headers[name] for name in ASKED if name in given.headers}


def _refused(gate: Gate) -> Response | None:
    reason = gate.refusal(request.method, request.path, asked_headers(request))
    if reason is None:
        return None
    return Response(f"This request was refused. {reason}\n", 403, content_type="text/plain; charset=utf-8")


def _dressed(answer: Response) -> Response:
    for name, value in HEADERS.items():
        if answer.headers.get(name) != KEPT_A_DAY:
            answer.headers[name] = value
    answer.headers.setdefault("Content-Security-Policy", PAGE_POLICY)
    return answer


def _told(error: FieldcombError) -> Response:
    return message(error.on_page, 400, field=error.key if isinstance(error, FieldError) else "")


def _odd(error: HTTPException) -> Response:
    code = error.code or 500
    return message(_PLAIN.get(code, "This did not work. Go back and try again."), code)


def _system(error: OSError) -> Response:
    reason = (error.strerror or str(error)).lower()
    return message(
        f"The system refused ({reason}). Nothing of this was kept.",
        500,
        hint=f"{room_or_rights(error)}, and try again.",
    )
