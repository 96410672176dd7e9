# A foreign mail server (aiosmtpd): prints its port, then recipients, Message-ID and text of each mail that it took, a JSON object a line.
import email
import json
import socket
import sys

from aiosmtpd.controller import Controller


class Handler:
    async def handle_DATA(self, server, session, envelope):
        letter = email.message_from_bytes(envelope.content)
        text = str(letter["subject"])
        for part in letter.walk():
            if part.get_content_type() == "text/plain":
                text += "\n" + part.get_payload(decode=True).decode("utf-8", "replace")
        print(json.dumps({"to": " ".join(envelope.rcpt_tos), "id": letter["message-id"], "text": text}), flush=True)
        return "250 2.0.0 taken"


class Ours(Controller):
    def _trigger_server(self):
        # The port is chosen by the system, so the controller's own trial connection does not know it.
        socket.create_connection(self.server.sockets[0].getsockname()).close()


controller = Ours(Handler(), hostname="127.0.0.1", port=0)
controller.start()
print(json.dumps({"port": controller.server.sockets[0].getsockname()[1]}), flush=True)
sys.stdin.read()
controller.stop()
