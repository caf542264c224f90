"""Who may ask the local page for what: the secret address, the cookie, and where a request comes from.

Another page in the same browser can send requests to this server, and a name that a stranger owns can be made to point
at it. So each request must name this server as its host, must not come from another page, and must bring the cookie
that only the secret address gives. Pure: headers in, the reason of a refusal out.
"""

import hmac
from collections.abc import Mapping
from dataclasses import field
from http.cookies import CookieError, SimpleCookie

from fieldcomb.coverage.jobs.job_protocol import new_secret
from fieldcomb.tracks.values import dataclass

# Pages of this program: nothing but their own files, never inside someone else's page.
PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "frame-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
# Pages made from recordings hold texts of strangers. They get a sandbox without an origin of its own, so that even a
# script that slipped in could ask this server for nothing.
OUTPUT_POLICY = (
    "sandbox allow-scripts allow-modals; default-src 'none'; img-src data:; style-src 'unsafe-inline'; "
    "script-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'self'"
)
HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",  # with no-referrer a browser would send our own forms with the origin "null"
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    "Cache-Control": "no-store",
}
# Of Cache-Control, for what a phone may open again while it is out of reach: the page of lanes, our scripts and styles.
KEPT_A_DAY = "private, max-age=86400"
READING = ("GET", "HEAD")
ENTRY = "/enter/"


@dataclass(frozen=True, slots=True)
class Gate:
    """What this one run of the server takes for proof.

    hosts : what may stand in ``Host``, such as ``127.0.0.1:5000``.
    token : the secret in the address.
    session : the value of the cookie. It is not the token, so that a cookie does not give away the address.
    prefix : what every address but the entry begins with, and the path of the cookie. A browser sends a cookie to every
    port of a machine, but only to addresses below its path: so no other program here is sent this one.
    """

    hosts: frozenset[str]
    token: str = field(default_factory=new_secret, repr=False)
    session: str = field(default_factory=new_secret, repr=False)
    prefix: str = field(default_factory=lambda: "/" + new_secret(), repr=False)

    @property
    def cookie_name(self) -> str:
        """Return the cookie's name: cookies are shared by all ports of a machine, so it has the port in it."""
        ports = sorted({host.rpartition(":")[2] for host in self.hosts})
        return "fieldcomb-" + "-".join(ports)

    def is_token(self, text: str) -> bool:
        """Whether this is the secret in the address; takes as long for a near miss as for a far one."""
        return hmac.compare_digest(text.encode(), self.token.encode())

    def has_cookie(self, header: str | None) -> bool:
        """Whether a ``Cookie`` header has the session of this run."""
        try:
            found = SimpleCookie(header or "").get(self.cookie_name)
        except CookieError:
            return False
        return found is not None and hmac.compare_digest(found.value.encode(), self.session.encode())

    def refusal(self, method: str, path: str, headers: Mapping[str, str]) -> str | None:
        """Say why a request may not be answered, or None when it may.

        ``headers`` has the keys Host, Origin, Sec-Fetch-Site and Cookie, where the request has them.
        """
        host = headers.get("Host", "").lower()
        if host not in self.hosts:
            return "It is addressed to another host."
        origin = headers.get("Origin")
        if origin is not None and origin.lower() != f"http://{host}":
            return "It comes from another page."
        if headers.get("Sec-Fetch-Site", "none") not in ("none", "same-origin"):
            return "It comes from another page."
        if method not in READING and (method != "POST" or origin is None):
            return "It does not say which page it came from."
        if not path.startswith(ENTRY) and not self.has_cookie(headers.get("Cookie")):
            return "It does not have the key. Open the address that fieldcomb serve printed."
        return None
