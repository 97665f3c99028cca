#!/usr/bin/env python3
"""A driver to copy, in a language other than Go and without a library: a socket, the text protocol of NATS, protobuf JSON.
Its device is a clock that needs as long as the daemon expects. Replace what is marked YOURS; what a driver owes the daemon is
in proto/tandem/driver/v1/driver.proto, and `tandemd drivers check` holds it against that.

    blueprint.py HOST PORT TOKEN-FILE DEVICE OPERATION

CAUTION: where "YOURS: start" stands a real device may move. Nothing here is a safety function."""
import json, socket, sys, time
from datetime import datetime, timezone

host, port, token_file, device, operation = sys.argv[1:]
epoch = time.time_ns()  # greater at each start: of what was in hand before, nobody knows what became of it
sequence, term, seen_fence = 0, 0, 0
welcome, run, grant = {}, None, None
taken, gone = set(), set()  # runs that were in hand once; that must never come again
hello_at = status_at = end_at = 0.0

def stamp(): return datetime.now(timezone.utc).isoformat()
def seconds(duration): return float((duration or "0s")[:-1])
def open_run(): return run is not None and run["state"] in ("JOB_STATE_PENDING", "JOB_STATE_PROCESSING")

def status():  # YOURS: what the device says of itself; always the whole truth
    global sequence
    sequence += 1
    works = run is not None and run["state"] == "JOB_STATE_PROCESSING"
    return {"epoch": epoch, "sequence": sequence, "link": "LINK_ONLINE", "runs": [run] if run else [], "observeTime": stamp(),
            "state": "DEVICE_STATE_PROCESSING" if works else "DEVICE_STATE_IDLE",
            "phase": "DEVICE_PHASE_PRODUCTION" if works else "DEVICE_PHASE_IDLE"}

def finish(state, **more): run.update(more, state=state, stateReasons=[], endTime=stamp())
def for_now(why): return {"refused": why}
def for_good(why): return {"refused": why, "epoch": epoch}  # nothing has moved, and nothing will

def take(order):  # the same order may come again; doing it again changes nothing
    global hello_at, term, run
    if "introduce" in order:
        hello_at, term = 0, max(term, int(order.get("term", 0)))
        return {}
    if int(order.get("epoch", 0)) != epoch: return for_good("other epoch")
    if 0 < int(order.get("term", 0)) < term: return for_now("old term")
    term = max(term, int(order.get("term", 0)))
    kind = next((k for k in ("grant", "stop", "settle") if k in order), None)
    if kind is None or not order[kind].get("run"): return for_now("malformed order")
    if kind == "grant" and int(order.get("term", 0)) > int(welcome.get("term", 0)):  # its clock tells whether a start is stale
        hello_at = 0
        return for_now("that daemon has not welcomed this driver")
    o, mine = order[kind], run is not None and run["run"] == order[kind]["run"]
    if kind == "grant": return take_grant(o, mine)
    if not mine: gone.add(o["run"])  # and must not come later either
    if kind == "stop" and not mine: return for_good("not in hand")
    if kind == "stop" and open_run(): finish("JOB_STATE_CANCELED")  # YOURS: stop; say so when it stands
    if kind == "settle" and mine: gone.add(run["run"]); run = None
    return {}

def take_grant(o, mine):
    global run, grant, seen_fence, end_at
    fence = int(o.get("fence", 0))
    if mine and fence != run["fence"]: return for_now("stale: in hand with another fence")
    if not mine:
        if not welcome: return for_now("not welcomed yet")
        if o["run"] in gone: return (for_good if o["run"] not in taken else for_now)("stale: refused, stopped or settled before")
        refusal = ("stale fence" if fence < int(welcome.get("minFence", 0)) or fence <= seen_fence else
                   "unknown operation" if o.get("operation") != operation else "busy" if run else "")
        seen_fence = max(seen_fence, fence)
        if refusal: gone.add(o["run"]); return for_good(refusal)
        taken.add(o["run"])
        run = {"run": o["run"], "fence": fence, "job": o.get("job"), "step": o.get("step"),
               "state": "JOB_STATE_PENDING", "stateReasons": ["x-awaiting-start"]}
    stale = "startBefore" in o and datetime.now(timezone.utc) > datetime.fromisoformat(o["startBefore"])
    if run["state"] == "JOB_STATE_PENDING" and o.get("mayStart") and not stale:
        grant, end_at = o, time.time() + seconds(o.get("expectedSetup")) + seconds(o.get("expectedWork"))
        run.update(state="JOB_STATE_PROCESSING", stateReasons=[], startTime=stamp())  # YOURS: start
    return {}

def messages(conn):  # (words of the line, body), or ([b""], b"") where nothing comes for a while; ends with the bus
    data = b""
    while True:
        line, found, rest = data.partition(b"\r\n")
        words = line.split() or [b""]
        size = int(words[-1]) + 2 if words[0] == b"MSG" else 0
        if found and len(rest) >= size:
            data = rest[size:]
            yield words, rest[:max(size - 2, 0)]
            continue
        try: more = conn.recv(65536)
        except TimeoutError: yield [b""], b""
        else:
            if not more: return
            data += more

def send(conn, subject, body, reply=""):
    text = json.dumps(body).encode()
    conn.sendall(f"PUB {subject} {reply} {len(text)}\r\n".encode() + text + b"\r\n")

def talk(conn):
    global welcome, term, hello_at, status_at
    login = {"user": "driver", "pass": open(token_file).read().strip(), "verbose": False, "name": device}
    conn.sendall(f"CONNECT {json.dumps(login)}\r\nSUB tandem.v1.order.{device} 1\r\nSUB _INBOX.{device} 2\r\n".encode())
    conn.settimeout(0.02)
    welcome, hello_at = {}, 0
    for words, body in messages(conn):
        if words[0] == b"PING": conn.sendall(b"PONG\r\n")
        elif words[0] == b"MSG":
            try: said = json.loads(body)
            except ValueError: said = None
            if words[2] == b"2":  # the answer to a hello
                welcome, status_at = ({} if said.get("error") else said), 0
                hello_at = time.time() + (30 if welcome else 1)
                term = max(term, int(said.get("term", 0)))
            else:
                answer = take(said) if isinstance(said, dict) else for_now("malformed order")
                if len(words) == 5: send(conn, words[3].decode(), answer)  # nobody waits for the answer to a settle
                status_at = min(status_at, time.time() + 0.05)
        if run is not None and run["state"] == "JOB_STATE_PROCESSING" and time.time() >= end_at:  # YOURS: the device has finished
            finish("JOB_STATE_COMPLETED", piecesGood=grant.get("pieces", 0), fraction=1)
            status_at = 0
        if time.time() >= hello_at:
            send(conn, f"tandem.v1.hello.{device}", {"status": status(), "kind": "blueprint-py", "operations": [operation]}, f"_INBOX.{device}")
            hello_at = time.time() + 5  # unless the answer comes before
        if welcome and time.time() >= status_at:
            send(conn, f"tandem.v1.status.{device}", status())
            status_at = time.time() + seconds(welcome.get("period", "5s"))

while True:  # for ever: the daemon and the bus come back
    try:
        with socket.create_connection((host, int(port)), timeout=5) as connection: talk(connection)
    except OSError: pass
    time.sleep(0.5)
