"""What was typed into a step of the set-up and is not saved yet, kept with the session."""

from __future__ import annotations

import uuid

from django.http import HttpRequest, QueryDict

DRAFTS = "setup_drafts"
BEGUN = "setup_begun"
NOT_TYPED = ("csrfmiddlewaretoken", "go", "do", "token")


def _key(train: int | None, step: str) -> str:
    return f"{train or 'new'}:{step}"


def keep(request: HttpRequest, train: int | None, step: str) -> None:
    """Remember what was typed, as it was typed."""
    typed = request.POST.copy()
    for name in NOT_TYPED:
        typed.pop(name, None)
    drafts = request.session.get(DRAFTS, {})
    drafts[_key(train, step)] = typed.urlencode()
    request.session[DRAFTS] = drafts


def kept(request: HttpRequest, train: int | None, step: str) -> QueryDict | None:
    """What was typed and not saved, or None."""
    text = request.session.get(DRAFTS, {}).get(_key(train, step))
    return None if text is None else QueryDict(text)


def drop(request: HttpRequest, train: int | None, step: str) -> None:
    """It is saved: nothing to remember."""
    drafts = request.session.get(DRAFTS, {})
    if drafts.pop(_key(train, step), None) is not None:
        request.session[DRAFTS] = drafts


def forget(request: HttpRequest, train: int) -> None:
    """The set-up of this train is over."""
    drafts = request.session.get(DRAFTS, {})
    request.session[DRAFTS] = {k: v for k, v in drafts.items() if not k.startswith(f"{train}:")}


def new_token() -> str:
    """Marks one showing of the first step, so that sending it twice begins one train."""
    return uuid.uuid4().hex


def begun(request: HttpRequest) -> int | None:
    """The train that this showing of the first step began already."""
    found: int | None = request.session.get(BEGUN, {}).get(request.POST.get("token", ""))
    return found


def note_begun(request: HttpRequest, train: int) -> None:
    tokens = request.session.get(BEGUN, {})
    tokens[request.POST.get("token", "")] = train
    request.session[BEGUN] = dict(list(tokens.items())[-10:])
