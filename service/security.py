"""Who may ask, and what a browser may do with the answers."""

import hmac
import time
from collections.abc import Callable
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.metrics import Metrics
from service.problem_replies import problem_reply
from service.problems import Problem, busy, problem_of, too_large
from service.settings import Settings

GUARDED_PATHS = ("/v1/", "/metrics", "/openapi.json")  # need the token; the page's own files hold no data
TOO_LARGE = 413
WORK_PATHS = ("/v1/measurements", "/v1/answers")
SAFE_METHODS = ("GET", "HEAD", "OPTIONS")
KNOWN_METHODS = (*SAFE_METHODS, "POST", "PUT", "PATCH", "DELETE")

_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; connect-src 'self'; "
    "manifest-src 'self'; worker-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_FILE_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'; sandbox"
_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(self), microphone=(), geolocation=()",
}


class Guard:
    """Outermost layer: refuses strangers before anything is read, adds headers to every answer, and counts.

    Parameters
    ----------
    app : ASGI application
    settings : Settings
    metrics : Metrics
    is_full : callable
        Whether further work is refused; then photos aren't even received.
    """

    def __init__(self, app: ASGIApp, settings: Settings, metrics: Metrics, is_full: Callable[[], bool]) -> None:
        self._app = app
        self._settings = settings
        self._metrics = metrics
        self._is_full = is_full

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        started = time.perf_counter()
        asked = {**scope, "method": "GET"} if scope["method"] == "HEAD" else scope  # the server leaves the body out
        status, has_begun = 500, False

        async def send_guarded(message: Message) -> None:
            nonlocal status, has_begun
            if message["type"] == "http.response.start":
                status, has_begun = message["status"], True
                _add_headers(scope, MutableHeaders(scope=message))
            await send(message)

        async def send_problem_only(message: Message) -> None:
            if has_begun and status == TOO_LARGE:
                return  # the words below are sent in place of the framework's own
            if message["type"] == "http.response.start" and message["status"] == TOO_LARGE:
                await problem_reply(too_large())(asked, receive, send_guarded)
                return
            await send_guarded(message)

        problem = refusal(scope, self._settings)
        if problem is None and scope["method"] == "POST" and scope["path"] in WORK_PATHS and self._is_full():
            problem = busy()
        answer = self._app if problem is None else problem_reply(problem)
        try:
            await answer(asked, receive, send_problem_only)
        except Exception as error:  # whatever went wrong, the client is told, and the service goes on
            if not has_begun:
                await problem_reply(problem_of(error))(asked, receive, send_guarded)
        route = getattr(asked.get("route"), "path", "none")
        method = scope["method"] if scope["method"] in KNOWN_METHODS else "other"
        self._metrics.count_request(method, route, status, time.perf_counter() - started)


def _add_headers(scope: Scope, headers: MutableHeaders) -> None:
    is_page = not scope["path"].startswith("/v1/")
    headers["Content-Security-Policy"] = _POLICY if is_page else _FILE_POLICY
    for name, value in _HEADERS.items():
        headers[name] = value
    if "cache-control" not in headers:
        headers["Cache-Control"] = "no-cache"


def refusal(scope: Scope, settings: Settings) -> Problem | None:
    """Why a request is not answered, or None."""
    headers = Headers(scope=scope)
    if settings.host_names and _host(headers.get("host", "")) not in settings.host_names:
        return Problem(421, "wrong-host", "This service doesn't go by that name: use the address it was started with.")
    if scope["method"] not in SAFE_METHODS and not _is_own_origin(headers):
        return Problem(403, "foreign-page", "Another web page may not change anything here.")
    if settings.token is None or not scope["path"].startswith(GUARDED_PATHS):
        return None
    if not _has_token(headers, settings.token):
        told = {"WWW-Authenticate": 'Bearer realm="flatmeasure"'}
        return Problem(401, "token-needed", "This service needs its token: send it as a bearer token.", told)
    return None


def _host(value: str) -> str:
    """The name in a Host header, without its port."""
    name, colon, port = value.rpartition(":")
    return (name if colon and port.isdigit() else value).lower()


def _is_own_origin(headers: Headers) -> bool:
    """Whether a change is asked for by a page of this service, or by no page at all."""
    if headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
        return False
    origin = headers.get("origin")
    return origin is None or urlsplit(origin).netloc.lower() == headers.get("host", "").lower()


def _has_token(headers: Headers, token: str) -> bool:
    """Whether the bearer token (RFC 6750) is the right one; takes as long whatever was sent."""
    scheme, _, given = headers.get("authorization", "").partition(" ")
    return scheme.lower() == "bearer" and hmac.compare_digest(given.strip().encode(), token.encode())
