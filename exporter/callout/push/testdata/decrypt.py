"""Decrypts a web push body with the primitives of python3-cryptography (OpenSSL), by the steps of RFC 8291, section 3.4
and RFC 8188, section 2. decrypt.py UA_PRIVATE AUTH_SECRET < body; both in base64url."""
import base64
import sys

from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.hkdf import HKDF


def decode(text):
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))


def derive(salt, secret, info, length):
    return HKDF(algorithm=hashes.SHA256(), length=length, salt=salt, info=info).derive(secret)


body = sys.stdin.buffer.read()
auth = decode(sys.argv[2])
private = ec.derive_private_key(int.from_bytes(decode(sys.argv[1]), "big"), ec.SECP256R1())
salt, size, length = body[:16], int.from_bytes(body[16:20], "big"), body[20]
sender, sealed = body[21 : 21 + length], body[21 + length :]
assert len(sealed) <= size, "more than one record"
own = private.public_key().public_bytes(serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint)
shared = private.exchange(ec.ECDH(), ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), sender))
ikm = derive(auth, shared, b"WebPush: info\0" + own + sender, 32)
key = derive(salt, ikm, b"Content-Encoding: aes128gcm\0", 16)
nonce = derive(salt, ikm, b"Content-Encoding: nonce\0", 12)
plain = AESGCM(key).decrypt(nonce, sealed, None).rstrip(b"\0")
assert plain.endswith(b"\x02"), "the last record does not end with 2"
sys.stdout.buffer.write(plain[:-1])
