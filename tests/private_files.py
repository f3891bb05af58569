"""Notebooks for the tests of what must not be shared."""

from __future__ import annotations

import base64
import json

PNG = base64.b64encode(b"\x89PNG").decode()
IMAGE = {"output_type": "display_data", "data": {"image/png": PNG}, "metadata": {}}
TEXT = {"output_type": "stream", "name": "stdout", "text": ["Quistorp\n"]}
READ = 'study = read_study("../study")\nplot(study)'


def notebook(source: str = READ, *outputs: object, metadata: object = None, **cell: object) -> bytes:
    code = {"cell_type": "code", "source": source, "outputs": list(outputs), "metadata": {}, **cell}
    return json.dumps(
        {"cells": [code], "metadata": metadata or {}, "nbformat": 4, "nbformat_minor": 5}
    ).encode()
