"""A connection to one archive: encrypted unless it is this computer, bounded, and silent on credentials."""

from __future__ import annotations

import ipaddress
import os
from typing import Any
from urllib.parse import urlsplit

import requests
from dicomweb_client.web import DICOMwebClient

from cohortlib.dicom.opening import LARGEST_FILE_BYTES
from cohortlib.errors import study_error

#: Environment variables that credentials are taken from, where they are not given as arguments.
USER, PASSWORD, TOKEN = "COHORT_ARCHIVE_USER", "COHORT_ARCHIVE_PASSWORD", "COHORT_ARCHIVE_TOKEN"
#: To connect, and to wait for the next bytes [s].
_PATIENCE_S = (10, 120)
_CHUNK = 1024**2


class TooLarge(Exception):
    """An answer that is larger than any image."""


def archive_client(
    url: str, *, user: str | None = None, password: str | None = None, token: str | None = None
) -> DICOMwebClient:
    """A client of the archive at an address.

    Parameters
    ----------
    url
        The root of its DICOMweb services, such as `https://archive.example/dicom-web`.
    user, password, token
        Of the archive; without them the environment variables COHORT_ARCHIVE_USER and
        COHORT_ARCHIVE_PASSWORD, or COHORT_ARCHIVE_TOKEN, if they are set.

    Raises
    ------
    StudyError
        If the address is none, holds credentials itself, or would send images unencrypted.
    """
    _check_url(url)
    session = _Session()
    session.trust_env = False  # no proxy and no credentials that were meant for something else
    session.max_redirects = 0
    user, password = user or os.environ.get(USER), password or os.environ.get(PASSWORD)
    token = token or os.environ.get(TOKEN)
    if token:
        session.headers["Authorization"] = f"Bearer {token}"
    elif user:
        session.auth = (user, password or "")
    client = DICOMwebClient(url.rstrip("/"), session=session, callback=_bounded, timeout=_PATIENCE_S)
    client.set_http_retry_params(max_attempts=2, wait_exponential_multiplier=250)
    return client


class _Session(requests.Session):
    """Writes a blank in a question as %20 (RFC 3986): not every archive takes + for one."""

    def prepare_request(self, request: requests.Request) -> requests.PreparedRequest:
        path, mark, question = str(request.url).partition("?")
        request.url = path + mark + question.replace("+", "%20")
        return super().prepare_request(request)


def _check_url(url: str) -> None:
    found, expected = "", "https://, the name of the archive and the path of its DICOMweb services"
    try:
        parts = urlsplit(url)
        host, port = parts.hostname or "", parts.port
    except ValueError:
        parts, host, port = urlsplit(""), "", None
    if parts.scheme not in ("http", "https") or not host or port == 0 or ":" in host:
        found = "no such address"
    elif "@" in parts.netloc:
        found = "an address with credentials in it"
        expected += f", and the credentials as arguments or in {USER} and {PASSWORD}"
    elif parts.query or parts.fragment:
        found = "an address with a question in it"
    elif parts.scheme == "http" and not _is_this_computer(host):
        found = "an unencrypted connection to another computer"
    if found:
        raise study_error(
            column="url", found=found, expected=expected, remedy="Ask who runs the archive for its address"
        )


def _is_this_computer(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _bounded(response: requests.Response, *_: Any, **__: Any) -> requests.Response:
    """Read an answer that is not larger than any image; called before anything else reads it."""
    content = bytearray()
    for chunk in response.iter_content(_CHUNK):
        content += chunk
        if len(content) > LARGEST_FILE_BYTES:
            response.close()
            raise TooLarge
    response._content = bytes(content)
    return response
