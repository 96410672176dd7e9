"""Reads a mail from standard input with Python's email package and prints what it says, as JSON."""
import email
import email.policy
import json
import sys

m = email.message_from_binary_file(sys.stdin.buffer, policy=email.policy.default)
print(json.dumps({
    "headers": {k: str(v) for k, v in m.items()},
    "from": [[a.display_name, a.addr_spec] for a in m["From"].addresses],
    "to": [[a.display_name, a.addr_spec] for a in m["To"].addresses],
    "date": m["Date"].datetime.isoformat(),
    "defects": [str(d) for part in m.walk() for d in part.defects] + [str(d) for v in m.values() for d in v.defects],
    "plain": m.get_body(("plain",)).get_content(),
    "html": m.get_body(("html",)).get_content() if m.get_body(("html",)) else None,
}))
