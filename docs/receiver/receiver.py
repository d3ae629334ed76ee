#!/usr/bin/env python3
"""An example of a receiver of Lintel's advice. It needs Python 3.8 on Linux or the like, and nothing else.

It reads one message from standard input, as it was published on its topic `lintel/advice/ID`, and prints what a receiver would do.
It moves nothing. Exit status 0: it would act. 1: it would not, and standard error says why. 2: wrong usage. 3: it would do
nothing new, and stop whatever waits because of an earlier message, which standard output names by its nonce.

    receiver.py --id ID --door DOOR --key FILE --seen FILE [--parcels] < message

With an MQTT client of Debian's (package mosquitto-clients), one message a line, which may end with a line end:

    mosquitto_sub -h HOST -p 8421 -i ID -u ID -P TOKEN -t lintel/advice/ID |
        while read -r message; do
            printf %s "$message" | receiver.py --id ID --door DOOR --key FILE --seen FILE && echo "would act"
        done

-P shows the token to whoever may list processes: keep it in a file for the client (~/.config/mosquitto_sub, a line
`-P TOKEN`, chmod 600) instead.

Before you have anything act on a message:

  * An electric lock must leave the way out free at all times, without this program, without a network and without power.
    Nothing here may keep a door shut.
  * Local building and fire codes say which locks a door may have. A licensed locksmith or electrician decides, and does
    the work, above all where mains voltage is near.
  * A message is advice. The receiver decides, and may always say no: at night, while the alarm is set, by a switch that
    people inside can reach.

Set up:

  * --key: the one line that Lintel shows once for this receiver, in a file that only the receiver may read (chmod 600).
  * --seen: a file that starts empty (`touch` it). It is never shortened, as old messages would then be good again for a
    clock that was set back; a year of 20 messages a day makes it 240 kB. If it is missing or damaged, nothing is acted on:
    wait five minutes, which is the longest that any message holds, and start with an empty one.
  * The clock must be right within 30 seconds.

It fails closed: whatever it can't read, check, date or remember is no message.
"""

import argparse
import base64
import fcntl
import hashlib
import hmac
import json
import os
import re
import stat
import sys
import time
from calendar import timegm

VERSION = 1
LARGEST = 2048  # bytes of a message
LONGEST = 5 * 60  # seconds that a message may hold
SKEW = 30  # seconds that Lintel's clock may be ahead of ours
KEY_MARK = "lintel-receiver-key-1 "

WORD = r"[A-Za-z0-9._-]{1,64}"
TIME = r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}Z"
NONCE = r"[0-9a-f]{32}"

# The fields of a message, in their order, and what each looks like.
FIELDS = {
    "version": None,
    "receiver": WORD,
    "door": WORD,
    "bell": WORD,
    "visit": WORD,
    "action": "suggest|withdraw|test",
    "kind": "person|parcel|test",
    "nonce": NONCE,
    "issued_at": TIME,
    "expires_at": TIME,
}


class Refused(Exception):
    """Why nothing is done."""


def main(arguments, message, clock=time.time):
    usage = argparse.ArgumentParser(description="Says what a receiver would do with a message of Lintel's.")
    usage.add_argument("--id", required=True, help="this receiver's id, as Lintel shows it")
    usage.add_argument("--door", required=True, help="the id of the one door it is for")
    usage.add_argument("--key", required=True, help="the file with its key")
    usage.add_argument("--seen", required=True, help="the file that remembers messages acted on")
    usage.add_argument("--parcels", action="store_true", help="a parcel may be left behind this door")
    is_for = usage.parse_args(arguments)
    try:
        fields = verify_message(message.read(LARGEST + 1), is_for.id, read_key(is_for.key), clock())
        if fields["door"] != is_for.door:
            raise Refused("the message is for another door")
        if fields["action"] == "test":
            raise Refused("it is a test message, and right in every point")
        if fields["action"] == "withdraw":
            forget = fields["nonce"]
            remember(is_for.seen, forget, twice=True)
            print("would stop: what the message %s began, for door %s" % (forget, fields["door"]))
            return 3
        if fields["kind"] == "parcel" and not is_for.parcels:
            raise Refused("no parcel may be left behind this door")
        remember(is_for.seen, fields["nonce"])
    except Refused as why:
        print("would do nothing:", why, file=sys.stderr)
        return 1
    except Exception as why:  # whatever else goes wrong is no reason to act
        print("would do nothing: it went wrong:", type(why).__name__, why, file=sys.stderr)
        return 1
    what = "let a parcel be left" if fields["kind"] == "parcel" else "let somebody in"
    print("would %s: door %s, visit %s, until %s" % (what, fields["door"], fields["visit"], fields["expires_at"]))
    return 0


def verify_message(text, receiver, key, now):
    """Returns the fields of a message (bytes) that is right in everything but being new; now is in Unix seconds."""
    if len(text) > LARGEST:
        raise Refused("it is too long for a message")
    outer = spelled(text[:-1] if text.endswith(b"\n") else text)  # clients write a line end after each
    if list(outer) != ["payload", "mac"] or not all(isinstance(part, str) for part in outer.values()):
        raise Refused("it is no message")
    # The mac is over the characters of the payload as they stand, and comes before everything else.
    mac = hmac.new(key, outer["payload"].encode("ascii"), hashlib.sha256).hexdigest()
    if not hmac.compare_digest(mac.encode(), outer["mac"].encode()):
        raise Refused("it was written with another key, or altered")
    fields = spelled(base64.b64decode(outer["payload"], validate=True))
    if type(fields.get("version")) is not int or fields["version"] != VERSION:
        raise Refused("it is of another version")
    if list(fields) != list(FIELDS):
        raise Refused("it has other fields than a message")
    for field, pattern in FIELDS.items():
        if pattern and not (isinstance(fields[field], str) and re.fullmatch(pattern, fields[field])):
            raise Refused("its %s is wrong" % field)
    if (fields["action"] == "test") != (fields["kind"] == "test"):
        raise Refused("its kind is wrong")
    if fields["receiver"] != receiver:
        raise Refused("it is for another receiver")
    issued, expires = (timegm(time.strptime(fields[at], "%Y-%m-%dT%H:%M:%SZ")) for at in ("issued_at", "expires_at"))
    if not 0 < expires - issued <= LONGEST:
        raise Refused("it holds for too long, or not at all")
    if issued - now > SKEW:
        raise Refused("it is from the future: is the clock right?")
    if not now < expires:
        raise Refused("it has expired")
    return fields


def spelled(text):
    """Reads an object of JSON (bytes) that has one spelling only: no blanks, no field twice, nothing after it."""
    text = text.decode("ascii")
    read = json.loads(text)
    if not isinstance(read, dict) or json.dumps(read, separators=(",", ":")) != text:
        raise Refused("it is no message, or spelled otherwise")
    return read


def read_key(path):
    with open(path, encoding="ascii") as file:
        if stat.S_IMODE(os.fstat(file.fileno()).st_mode) & 0o077:
            raise Refused("others may read the key: chmod 600 its file if they never could, or have a new key made")
        line = file.read(200).strip()
    key = base64.b64decode(line[len(KEY_MARK):], validate=True) if line.startswith(KEY_MARK) else b""
    if len(key) != 32 or not any(key):
        raise Refused("there is no key in the file for it")
    return key


def remember(path, nonce, twice=False):
    """Writes a nonce down for good. Only what is on the disk was remembered; a second message waits for the first.

    What withdraws a message may come after it, and then nothing is written, or before: then that one is not acted on.
    """
    with open(path, "r+", encoding="ascii") as file:  # a file that is missing is not made
        if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
            raise Refused("the file of messages seen is no file")
        fcntl.flock(file, fcntl.LOCK_EX)
        nonces = file.read()
        if not re.fullmatch("(%s\n)*" % NONCE, nonces):
            raise Refused("the file of messages seen is damaged")
        if nonce in nonces.split("\n"):
            if twice:
                return
            raise Refused("it came before")
        file.write(nonce + "\n")
        file.flush()
        os.fsync(file.fileno())


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:], sys.stdin.buffer))
