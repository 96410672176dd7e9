"""A mail server (aiosmtpd) that tells what it was given, one JSON object a line.

server.py MODE CERTIFICATE KEY: MODE is starttls, tls or plain. The recipients refused@, grey@ and full@ are refused as
their names say. With starttls and tls a login is demanded: box, 'hunter2 & more'.
"""
import json
import socket
import ssl
import sys

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult


class Handler:
    async def handle_RCPT(self, server, session, envelope, address, options):
        for name, answer in {"refused@": "550 5.1.1 no such mailbox", "grey@": "451 4.7.1 greylisted, come again"}.items():
            if address.startswith(name):
                return answer
        envelope.rcpt_tos.append(address)
        return "250 2.1.5 ok"

    async def handle_DATA(self, server, session, envelope):
        if envelope.rcpt_tos[0].startswith("full@"):
            return "552 5.2.2 mailbox full"
        print(json.dumps({
            "from": envelope.mail_from, "to": envelope.rcpt_tos, "data": envelope.content.decode("latin-1"),
            "encrypted": server.transport.get_extra_info("ssl_object") is not None, "hello": session.host_name, "login": bool(session.authenticated),
        }), flush=True)
        return "250 2.0.0 taken"


def login(server, session, envelope, mechanism, data):
    print(json.dumps({"mechanism": mechanism}), flush=True)
    return AuthResult(success=(data.login, data.password) == (b"box", b"hunter2 & more"), handled=False)


mode, certificate, key = sys.argv[1:4]
context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
context.load_cert_chain(certificate, key)
options = {"authenticator": login, "auth_require_tls": mode == "starttls"} if mode != "plain" else {}
if len(sys.argv) > 4:
    options["auth_exclude_mechanism"] = sys.argv[4:]


class Ours(Controller):
    def factory(self):
        if mode == "starttls":
            return SMTP(self.handler, require_starttls=True, tls_context=context, auth_required=True, **options)
        if mode == "tls":
            return SMTP(self.handler, auth_required=True, **options)
        return SMTP(self.handler)

    def _trigger_server(self):
        # The port is chosen by the system, so the controller's own trial connection does not know it.
        socket.create_connection(self.server.sockets[0].getsockname()).close()


controller = Ours(Handler(), hostname="127.0.0.1", port=0, ssl_context=context if mode == "tls" else None)
controller.start()
print(json.dumps({"port": controller.server.sockets[0].getsockname()[1]}), flush=True)
sys.stdin.read()
