"""A real mail server for tests, which can be told to behave badly."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

Said = Callable[[str, str], None]
A_MOMENT_S = 0.001
STEPS = ("connected", "sender", "recipient", "letter", "accepted", "answered", "goodbye")
"""In their order; a letter is kept between “letter” and “accepted”, “answered” is a moment after
the answer went out."""


@dataclass
class Post:
    """What the server has accepted, and how it treats the next sessions.

    ``manner``: "accept"; "defer" (451) or "refuse" (550) at the recipient; "busy" (452) or "spam"
    (554) at the end of the letter; "hang" instead of an answer; "drop" the connection after the
    letter without having kept it; "swallow": keep it and drop the connection without an answer.
    ``steps`` is told of each step of a session: its name and the recipient so far. ``pace_s`` is
    how long each session takes at least.
    """

    manner: str = "accept"
    accepted: list[EmailMessage] = field(default_factory=list)
    recipients: list[str] = field(default_factory=list)
    tries: int = 0
    steps: Said = lambda step, recipient: None
    port: int = 0
    pace_s: float = 0.0

    def take(self, envelope: Envelope) -> None:
        assert isinstance(envelope.original_content, bytes)
        found = message_from_bytes(envelope.original_content, policy=policy.default)
        assert isinstance(found, EmailMessage)
        self.accepted.append(found)
        self.recipients.append(envelope.rcpt_tos[0])

    def message_ids(self) -> list[str]:
        return [str(mail["Message-ID"]) for mail in self.accepted]

    def subjects(self) -> list[str]:
        return [str(mail["Subject"]) for mail in self.accepted]

    async def handle_EHLO(
        self, server: SMTP, session: Session, envelope: Envelope, hostname: str, responses: Any
    ) -> Any:
        self.tries += 1
        session.host_name = hostname
        self.steps("connected", "")
        return responses

    async def handle_MAIL(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: Any
    ) -> str:
        await asyncio.sleep(self.pace_s)
        envelope.mail_from = address
        self.steps("sender", "")
        return "250 OK"

    async def handle_RCPT(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: Any
    ) -> str:
        if self.manner == "defer":
            return "451 4.2.1 The box is being moved, come back later"
        if self.manner == "refuse":
            return "550 5.1.1 Nobody of that name here"
        envelope.rcpt_tos.append(address)
        self.steps("recipient", address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        if self.manner == "hang":
            await asyncio.sleep(60)
        if self.manner == "busy":
            return "452 4.3.1 No room at the moment"
        if self.manner == "spam":
            return "554 5.7.1 Not wanted here"
        if self.manner == "drop":
            self._cut(server)
            return ""
        self.steps("letter", envelope.rcpt_tos[0])
        self.take(envelope)
        if self.manner == "swallow":
            self._cut(server)
            return ""
        self.steps("accepted", envelope.rcpt_tos[0])
        loop = asyncio.get_running_loop()
        loop.call_later(A_MOMENT_S, self.steps, "answered", envelope.rcpt_tos[0])
        return "250 Kept"

    async def handle_QUIT(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        self.steps("goodbye", "")
        return "221 Goodbye"

    @staticmethod
    def _cut(server: SMTP) -> None:
        assert server.transport is not None
        server.transport.abort()


class Office:
    """The server in a thread of its own, while the ``with`` block lasts."""

    def __init__(self, post: Post) -> None:
        self.post = post
        self.post.port = free_port()
        self.controller = Controller(post, hostname="127.0.0.1", port=self.post.port)

    def __enter__(self) -> Post:
        self.controller.start()
        return self.post

    def __exit__(self, *_: object) -> None:
        self.controller.stop(no_assert=True)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
