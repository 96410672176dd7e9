"""Follows every link of a running demo's pages: each must answer, and each page must be whole.

A template that names what it cannot have ends its page in the middle. pages.py ADDRESS
"""
import re
import sys
import urllib.error
import urllib.parse
import urllib.request

start = sys.argv[1]
todo, seen, broken = [start], set(), []
while todo:
    address = todo.pop()
    if address in seen or len(seen) >= 400:
        continue
    seen.add(address)
    try:
        with urllib.request.urlopen(address, timeout=20) as answer:
            kind, body = answer.headers.get_content_type(), answer.read()
    except (urllib.error.URLError, OSError) as e:
        broken.append(f"{address}: {e}")
        continue
    if kind != "text/html":
        continue
    text = body.decode()
    if not text.rstrip().endswith("</html>"):
        broken.append(f"{address}: the page ends with {text[-60:]!r}")
    for href in re.findall(r'<a [^>]*href="([^"#]+)', text):
        to = urllib.parse.urljoin(address, href.replace("&amp;", "&"))
        if to.startswith(start) and not re.search(r"\.(db|csv|json|ics)\b|/api/", to):
            todo.append(to)
print(f"pages: {len(seen)} followed")
if broken or len(seen) < 20:
    sys.exit("\n".join(broken) or f"only {len(seen)} pages were found")
