"""Certificates for tests that speak TLS."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest


class Authority:
    """A throw-away certificate authority and what it signed, made with openssl."""

    def __init__(self, folder: Path, name: str) -> None:
        """Skips where there is no openssl."""
        if shutil.which("openssl") is None:
            pytest.skip("openssl is not installed")
        self.folder, self.name = folder, name
        self.certificate, self._key = folder / f"{name}.pem", folder / f"{name}.key"
        self._openssl(
            *("req", "-x509", "-subj", f"/CN={name}", "-days", "2"),
            # Python 3.13 insists on it (RFC 5280, section 4.2.1.3).
            *("-addext", "keyUsage=critical,keyCertSign,cRLSign"),
            *("-keyout", self._key, "-out", self.certificate),
        )

    def sign(self, subject: str) -> tuple[Path, Path]:
        """A certificate for `subject`, valid for 127.0.0.1, and its key."""
        certificate, key = (self.folder / f"{subject}.{end}" for end in ("pem", "key"))
        self._openssl(
            *("req", "-x509", "-subj", f"/CN={subject}", "-days", "2"),
            *("-CA", self.certificate, "-CAkey", self._key),
            *("-addext", "subjectAltName=IP:127.0.0.1"),
            *("-addext", "basicConstraints=critical,CA:FALSE"),
            *("-keyout", key, "-out", certificate),
        )
        return certificate, key

    @staticmethod
    def _openssl(*arguments: str | Path) -> None:
        curve = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
        subprocess.run(["openssl", *arguments, *curve], check=True, capture_output=True)
