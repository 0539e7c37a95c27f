"""Every icon that a template or the code names is one that we have."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from django.conf import settings
from django.template import Context, Template

NAMED = re.compile(r"\{%\s*lucide\s+\"([a-z0-9-]+)\"")
TEMPLATES = sorted((settings.BASE_DIR / "templates").rglob("*.html"))


@pytest.mark.parametrize("template", TEMPLATES, ids=lambda t: t.name)
def test_icons_of_a_template_are_there(template: Path) -> None:
    for name in NAMED.findall(template.read_text()):
        icon = Template(f'{{% load lucide %}}{{% lucide "{name}" %}}').render(Context())
        assert "<svg" in icon
