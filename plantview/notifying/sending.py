"""Sends one message one way; blocks, so it runs in a thread. Every failure becomes a sentence without credentials."""

from __future__ import annotations

import http.client
import json
import smtplib
import ssl
from email.message import EmailMessage
from email.utils import formatdate, make_msgid
from typing import Final
from urllib.parse import urlsplit

from plantview.errors import PlantviewError
from plantview.notifying import further
from plantview.notifying.message import Message
from plantview.notifying.settings import EmailServer, Receiver

DEADLINE_REAL_S: Final = 15.0
ANSWER_BYTES_MAX: Final = 4_096


class NotSent(PlantviewError):
    """A message could not be sent; the text says why."""


def send(message: Message, receiver: Receiver, email: EmailServer | None) -> None:
    """Send it, or raise NotSent."""
    try:
        _leave(message, receiver, email)
    except further.NotInstalled as error:
        raise NotSent(str(error)) from error
    except smtplib.SMTPAuthenticationError as error:
        raise NotSent(f"the mail server did not accept user and password ({error.smtp_code})") from error
    except smtplib.SMTPRecipientsRefused as error:
        raise NotSent(f"the mail server does not accept the address {receiver.email}") from error
    except smtplib.SMTPException as error:
        raise NotSent(f"the mail server refused: {_short(error)}") from error
    except ssl.SSLCertVerificationError as error:
        raise NotSent(f"the other end cannot prove who it is: {error.verify_message}") from error
    except TimeoutError as error:
        raise NotSent(f"no answer within {DEADLINE_REAL_S:g} s") from error
    except (OSError, http.client.HTTPException, ValueError) as error:
        raise NotSent(f"cannot be reached: {_short(error)}") from error


def _leave(message: Message, receiver: Receiver, email: EmailServer | None) -> None:
    if receiver.webhook:
        _post(message, receiver.webhook)
    elif receiver.service:
        _pass_on(message, receiver.service)
    elif email is not None:
        _mail(message, receiver.email, email)


def _mail(message: Message, to: str, email: EmailServer) -> None:
    mail = EmailMessage()
    mail["Subject"], mail["From"], mail["To"] = message.subject, email.sender, to
    mail["Date"], mail["Message-ID"] = formatdate(localtime=False), make_msgid(domain=email.sender.rpartition("@")[2])
    mail["Auto-Submitted"] = "auto-generated"
    mail.set_content(message.text)
    secure = ssl.create_default_context()
    if email.security == "tls":
        with smtplib.SMTP_SSL(email.server, email.port, timeout=DEADLINE_REAL_S, context=secure) as server:
            _deliver(server, mail, email)
        return
    with smtplib.SMTP(email.server, email.port, timeout=DEADLINE_REAL_S) as server:
        if email.security == "starttls":
            server.starttls(context=secure)
        _deliver(server, mail, email)


def _deliver(server: smtplib.SMTP, mail: EmailMessage, email: EmailServer) -> None:
    if email.user:
        server.login(email.user, email.password)
    server.send_message(mail)


def _post(message: Message, address: str) -> None:
    """Post JSON; a redirection is a failure, so that nothing leads the message elsewhere."""
    place = urlsplit(address)
    kind = http.client.HTTPSConnection if place.scheme == "https" else http.client.HTTPConnection
    path = (place.path or "/") + (f"?{place.query}" if place.query else "")
    connection = kind(place.hostname or "", place.port, timeout=DEADLINE_REAL_S)
    try:
        body = json.dumps({"subject": message.subject, "text": message.text, **message.body}, ensure_ascii=False)
        connection.request("POST", path, body.encode(), {"Content-Type": "application/json"})
        answer = connection.getresponse()
        answer.read(ANSWER_BYTES_MAX)
        if not 200 <= answer.status < 300:
            raise NotSent(f"the web address answered {answer.status} {answer.reason}")
    finally:
        connection.close()


def _pass_on(message: Message, address: str) -> None:
    trouble = further.pass_on(message.subject, message.text, address)
    if trouble:
        raise NotSent(trouble)


def _short(error: Exception) -> str:
    said = getattr(error, "strerror", None) or str(error)
    text = " ".join(str(said).split()) or type(error).__name__
    return text[:160]
