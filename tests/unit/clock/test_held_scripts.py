"""Real scripts in processes of their own, held to virtual time: what they see, when, and what they are refused."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from asflown.clock.shim.asflown_held.protocol import SOCKET_VARIABLE
from tests.unit.clock.lockstep import SHIM, fly

TICKS = [(100_000 * n, b"%d" % n) for n in range(1, 51)]
"""A datagram every 100 ms for five seconds."""

STYLES = {
    "blocking receive": """
s = listen()
for _ in range(20):
    data, peer = s.recvfrom(100)
    print(data, time.time(), flush=True)
    s.sendto(b"got " + data, peer)
""",
    "receive with time-out": """
s = listen(); s.settimeout(0.03)
for _ in range(20):
    try: print(s.recvfrom(100)[0], time.monotonic())
    except socket.timeout: print("none", time.monotonic())
""",
    "non-blocking poll loop": """
s = listen(); s.setblocking(False); t = time.time()
while time.time() - t < 1:
    try: print(s.recv(100), time.time())
    except BlockingIOError: time.sleep(0.013)
""",
    "busy loop on the clock": """
end = time.perf_counter() + 0.5
n = 0
while time.perf_counter() < end: n += 1
print(n, time.time())
""",
    "select": """
s = listen()
for _ in range(20):
    print(select.select([s], [], [], 0.04)[0] and s.recv(99), time.time_ns())
""",
    "poll object": """
s = listen(); p = select.poll(); p.register(s, select.POLLIN)
for _ in range(20):
    print(p.poll(40) and s.recv(99), time.time_ns())
""",
    "selectors": """
import selectors
s = listen(); sel = selectors.DefaultSelector(); sel.register(s, selectors.EVENT_READ)
for _ in range(20):
    print(len(sel.select(0.04)) and s.recv(99), time.time_ns())
""",
    "asyncio in one thread": """
import asyncio
class P(asyncio.DatagramProtocol):
    def datagram_received(self, data, addr): print(data, asyncio.get_running_loop().time())
async def main():
    loop = asyncio.get_running_loop()
    t, _ = await loop.create_datagram_endpoint(P, local_addr=("127.0.0.1", PORT))
    await asyncio.sleep(1)
    t.close()
asyncio.run(main())
""",
    "event as a sleep": """
import threading
e = threading.Event()
for _ in range(5): print(e.wait(0.25), time.time())
""",
    "thread with queue": """
import queue, threading
s = listen(); q = queue.Queue()
def read():
    while True: q.put((s.recv(99), time.time()))
threading.Thread(target=read, daemon=True).start()
for _ in range(20): print(q.get(), time.time())
""",
    "thread with simple queue and time-out": """
import queue, threading
q = queue.SimpleQueue()
threading.Thread(target=lambda: [time.sleep(0.5), q.put("late")]).start()
try: q.get(timeout=0.2)
except queue.Empty: print("empty", time.time())
print(q.get(), time.time())
""",
    "threads with a condition": """
import threading
c = threading.Condition(); turns = []
def play(name, mine, other):
    for _ in range(5):
        with c:
            while (len(turns) % 2) != mine: c.wait()
            turns.append((name, time.time())); time.sleep(0.01); c.notify_all()
a, b = (threading.Thread(target=play, args=x) for x in (("a", 0, 1), ("b", 1, 0)))
a.start(); b.start(); a.join(); b.join(); print(turns)
""",
    "executor": """
from concurrent.futures import ThreadPoolExecutor, as_completed
def work(n): time.sleep((n * 7 % 5) / 100); return n, time.time()
with ThreadPoolExecutor(3) as pool:
    for f in as_completed([pool.submit(work, n) for n in range(9)]): print(f.result())
""",
    "timer, semaphore, barrier": """
import threading
out = []
t = threading.Timer(0.3, lambda: out.append(("timer", time.time()))); t.start()
gate = threading.Semaphore(2); wall = threading.Barrier(3)
def go(n):
    with gate: time.sleep(0.05)
    wall.wait(); out.append((n, time.time()))
ts = [threading.Thread(target=go, args=(n,)) for n in range(3)]
[x.start() for x in ts]; [x.join() for x in ts]; t.join(); print(out)
""",
    "two threads that never wait": """
import threading
seen = []
def spin(n):
    while time.perf_counter() - start < 0.05: seen.append(n)
start = time.perf_counter()
ts = [threading.Thread(target=spin, args=(n,)) for n in range(2)]
[x.start() for x in ts]; [x.join() for x in ts]
print(len(seen), sum(seen), hash(tuple(seen)))
""",
    "asyncio with an executor": """
import asyncio
def slow(n): time.sleep(0.1); return n
async def main():
    loop = asyncio.get_running_loop()
    print(await asyncio.gather(*(loop.run_in_executor(None, slow, n) for n in range(4))), loop.time())
asyncio.run(main())
""",
    "daemon thread at the end": """
import threading
threading.Thread(target=lambda: time.sleep(1e6), daemon=True).start()
threading.Thread(target=lambda: [time.sleep(0.2), print("second", time.time())]).start()
print("main is over", time.time())
""",
    "subprocess helper": """
import subprocess
helper = "import sys, time; [print(l.strip(), time.time(), flush=True) or time.sleep(0.1) for l in sys.stdin]"
p = subprocess.Popen([sys.executable, "-c", helper], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
for n in range(5):
    p.stdin.write(f"{n}\\n"); p.stdin.flush()
    print(p.stdout.readline().strip(), time.time())
p.stdin.close(); print(p.wait(), time.time())
""",
    "subprocess run and time-out": """
import subprocess
r = subprocess.run([sys.executable, "-c", "import time; time.sleep(3); print(time.time())"], capture_output=True)
print(r.stdout, r.returncode, time.time())
try: subprocess.run([sys.executable, "-c", "import time; time.sleep(30)"], timeout=2)
except subprocess.TimeoutExpired as e: print("late", time.time())
""",
    "signals between processes": """
import signal, subprocess
def start(code):
    code = "import os, signal, sys, time\\n" + code
    return subprocess.Popen([sys.executable, "-c", code], start_new_session=True)
polite = start("signal.signal(signal.SIGTERM, lambda *_: sys.exit(5))\\nwhile True: time.sleep(30)")
deaf = start("signal.signal(signal.SIGTERM, signal.SIG_IGN)\\ntime.sleep(40)")
plain = start("time.sleep(50)")
time.sleep(1)
for p in polite, deaf, plain: p.terminate()
print(polite.wait(), plain.wait(), time.time())
try: deaf.wait(1)
except subprocess.TimeoutExpired: print("deaf", time.time())
deaf.kill(); print(deaf.wait(), time.time())
group = start(
    "if os.fork() == 0:\\n"
    "    os.setpgid(0, 0); time.sleep(2); print('spared', time.time(), flush=True); os._exit(0)\\n"
    "if os.fork() == 0: time.sleep(60)\\n"
    "time.sleep(70)"
)
time.sleep(1); os.killpg(group.pid, signal.SIGTERM); print(group.wait(), time.time())
signal.signal(signal.SIGUSR1, lambda *_: print("called", time.time()))
caller = start("time.sleep(0.25); os.kill(os.getppid(), signal.SIGUSR1); time.sleep(0.5)")
time.sleep(3); print(caller.wait(), time.time())
""",
    "signals to itself": """
import asyncio, signal, threading
def later(call, *args): threading.Thread(target=lambda: [time.sleep(0.3), call(*args)]).start()
for call in (os.kill, os.getpid()), (signal.pthread_kill, threading.get_ident()), (signal.raise_signal,):
    later(*call, signal.SIGINT)
    try: time.sleep(9)
    except KeyboardInterrupt: print("interrupted", time.time())
async def main():
    over = asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, over.set)
    later(os.kill, os.getpid(), signal.SIGTERM)
    await asyncio.wait_for(over.wait(), 5)
    print("over", time.time())
asyncio.run(main())
""",
    "asyncio ends its helper": """
import asyncio
node = (
    "import asyncio, signal, time\\n"
    "async def main():\\n"
    "    over = asyncio.Event()\\n"
    "    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, over.set)\\n"
    "    await over.wait(); await asyncio.sleep(0.2); print('tidied', time.time())\\n"
    "asyncio.run(main())\\n"
)
async def main():
    p = await asyncio.create_subprocess_exec(sys.executable, "-c", node, stdout=asyncio.subprocess.PIPE)
    await asyncio.sleep(1); p.terminate()
    print(await p.communicate(), p.returncode, time.time())
asyncio.run(main())
""",
    "fork": """
r, w = os.pipe()
if os.fork() == 0:
    time.sleep(0.5); os.write(w, b"child %f" % time.time()); os._exit(7)
print(os.read(r, 99), os.waitstatus_to_exitcode(os.wait()[1]), time.time())
""",
    "multiprocessing pool by fork": """
import multiprocessing, random
def work(n): time.sleep(n / 100); return n * n, time.time(), random.random()
with multiprocessing.get_context("fork").Pool(3) as pool: print(pool.map(work, range(7)), time.time())
""",
    "multiprocessing queue and lock": """
import multiprocessing as mp
def work(n, q, lock):
    with lock: time.sleep(0.1)
    q.put((n, time.time()))
c = mp.get_context("fork"); q, lock = c.Queue(), c.Lock()
ps = [c.Process(target=work, args=(n, q, lock)) for n in range(3)]
[p.start() for p in ps]; print([q.get() for _ in ps]); [p.join() for p in ps]; print(time.time())
""",
    "bridge and node": """
import subprocess
node = (
    "import socket, time\\n"
    "s = socket.socket(); s.bind(('127.0.0.1', 0)); s.listen(); print(s.getsockname()[1], flush=True)\\n"
    "c, _ = s.accept()\\n"
    "while True:\\n"
    "    b = c.recv(99)\\n"
    "    if not b: break\\n"
    "    time.sleep(0.03); c.sendall(b + b' at %f' % time.time())\\n"
)
p = subprocess.Popen([sys.executable, "-c", node], stdout=subprocess.PIPE, text=True)
c = socket.create_connection(("127.0.0.1", int(p.stdout.readline()))); s = listen()
for _ in range(5):
    data, peer = s.recvfrom(99); c.sendall(data); s.sendto(c.recv(99), peer)
c.close(); print(p.wait(), time.time())
""",
    "datagrams between processes": """
a = socket.socket(socket.AF_INET, socket.SOCK_DGRAM); a.bind(("127.0.0.1", 0)); a.settimeout(0.2)
b = socket.socket(socket.AF_INET, socket.SOCK_DGRAM); b.bind(("127.0.0.1", 0))
if os.fork() == 0:
    for n in range(3): time.sleep(0.3); b.sendto(b"%d %f" % (n, time.time()), a.getsockname())
    os._exit(0)
for _ in range(6):
    try: print(a.recv(99), time.time())
    except socket.timeout: print("none", time.time())
""",
    "alarm": """
import signal
def ring(number, frame): print("ring", time.time()); raise TimeoutError
signal.signal(signal.SIGALRM, ring); signal.alarm(2)
try: time.sleep(60)
except TimeoutError: print("woken", time.time())
signal.signal(signal.SIGALRM, lambda *_: print("tick", time.time()))
signal.setitimer(signal.ITIMER_REAL, 0.1, 0.25)
end = time.time() + 1
while time.time() < end: pass
signal.setitimer(signal.ITIMER_REAL, 0); signal.alarm(1); signal.pause(); print(time.time())
""",
    "dates and chance": """
import datetime, random, secrets, uuid
print(datetime.datetime.now(), datetime.date.today(), random.random(), random.Random().random())
print(secrets.token_hex(4), uuid.uuid4(), os.urandom(3), hash("x"))
print(isinstance(datetime.datetime.now(), datetime.date))
print(time.localtime().tm_year, time.strftime("%Y", time.gmtime()), time.ctime()[-4:])
""",
}


@pytest.mark.parametrize("style", STYLES)
def test_a_script_style_repeats_exactly(style: str) -> None:
    """Two runs of each style end alike, print the same and send the same at the same times."""
    first, second = (fly(STYLES[style], TICKS) for _ in range(2))
    assert (first.how, first.exit_code) == ("gone", 0), first.output
    assert first.output.strip()
    assert first == second


def test_a_waiting_script_wakes_exactly_when_a_datagram_comes() -> None:
    """A blocking receive returns at the datagram's time, and the answer leaves at that time."""
    run = fly(STYLES["blocking receive"], TICKS)
    assert [(when // 1000, data) for when, data in run.sent] == [
        (100 * n, b"got %d" % n) for n in range(1, 21)
    ]


def test_a_receive_time_out_ends_at_its_deadline() -> None:
    """A time-out of 30 ms ends after 30 ms of flight time, give or take the cost of looking."""
    run = fly("s = listen(); s.settimeout(0.03)\ntry: s.recv(9)\nexcept socket.timeout: pass")
    assert 30_000 <= run.ended_us < 30_200


def test_sleep_passes_flight_time_only() -> None:
    """An hour of sleep is an hour of flight time."""
    run = fly("t = time.time(); time.sleep(3600); print(round(time.time() - t, 3))")
    assert run.output == "3600.0\n"


def test_seeds_decide_chance() -> None:
    """Another seed gives other random numbers."""
    script = "import random; print(random.random(), os.urandom(4))"
    assert fly(script, seed=1).output == fly(script, seed=1).output != fly(script, seed=2).output


def test_computation_can_be_charged() -> None:
    """`compute` moves the script's clock on at every wake-up."""
    script = "t = time.time()\nfor _ in range(10): time.sleep(0.1)\nprint(round(time.time() - t, 2))"
    assert (fly(script).output, fly(script, compute_us=20_000).output) == ("1.0\n", "1.2\n")


@pytest.mark.parametrize("kind", ["udp-dial", "tcp", "pty"])
def test_every_kind_of_port_carries_both_ways(kind: str) -> None:
    """Dialled UDP, TCP and a serial port deliver what was sent, whole and in order, at its time."""
    openers = {
        "udp-dial": "s = socket.socket(socket.AF_INET, socket.SOCK_DGRAM); s.connect(('127.0.0.1', PORT))\n"
        "send, receive = s.send, s.recv",
        "tcp": "s = socket.create_connection(('127.0.0.1', PORT)); send, receive = s.sendall, s.recv",
        "pty": "d = os.open(PATH, os.O_RDWR | os.O_NOCTTY)\n"
        "send = lambda b: os.write(d, b); receive = lambda n: os.read(d, n)",
    }
    script = (
        openers[kind]
        + "\nsend(b'hello')\nwhile True:\n    b = receive(100); send(b)\n    if b == b'5': break"
    )
    run = fly(script, TICKS, kind=kind)
    assert run.how == "gone", run.output
    assert [(when // 1000, data) for when, data in run.sent] == [
        (0, b"hello"),
        *((100 * n, b"%d" % n) for n in range(1, 6)),
    ]


def test_a_flood_is_counted_to_the_last_datagram() -> None:
    """Five thousand datagrams in one burst all arrive: the script is made to report before a buffer overflows."""
    run = fly(
        "s = listen()\nfor n in range(5000): s.sendto(b'%d' % n, s.recvfrom(9, socket.MSG_PEEK)[1])", TICKS
    )
    assert [data for _, data in run.sent] == [b"%d" % n for n in range(5000)], run.output


REFUSED = {
    "subprocess.run(['true'])": "subprocess.Popen of true, which is not Python",
    "subprocess.run('true', shell=True)": "subprocess.Popen of a shell command",
    "subprocess.run([sys.executable, '-I', '-c', '0'])": "subprocess.Popen of an isolated Python (-I)",
    "os.system('true')": "os.system",
    "signal.sigwait([signal.SIGUSR1])": "signal.sigwait",
    "os.kill(os.getppid(), signal.SIGSTOP)": "sending SIGSTOP",
    "signal.raise_signal(signal.SIGTSTP)": "sending SIGTSTP",
    "signal.pidfd_send_signal(os.pidfd_open(os.getppid()), 0)": "signal.pidfd_send_signal",
    "open('/dev/urandom', 'rb')": "reading /dev/urandom",
    "os.read(os.open('/dev/ptmx', os.O_RDWR), 9)": (
        "os.read on /dev/ptmx, which something outside of the flight moves"
    ),
    "ctypes.CDLL(None).nanosleep": "ctypes access to nanosleep",
    "socket.create_connection(('127.0.0.1', 9))": (
        "a connection to tcp:loopback:9, which is out of the flight"
    ),
    "s = udp(); s.sendto(b'?', ('127.0.0.1', 9)); s.recv(9)": (
        "socket.recv on a socket that leads out of the flight"
    ),
}


@pytest.mark.parametrize("call", REFUSED)
def test_a_call_that_cannot_be_held_names_itself(call: str) -> None:
    """What lies outside the held surface ends the hold with the call's name, before it takes effect."""
    prelude = (
        "import ctypes, signal, subprocess, threading\n"
        "udp = lambda: socket.socket(socket.AF_INET, socket.SOCK_DGRAM)\n"
    )
    run = fly(f"{prelude}{call}\nprint('went on')")
    assert run.how.startswith(f"left: {REFUSED[call]} ("), run.how
    assert "went on" not in run.output


def test_a_script_that_waits_for_what_cannot_happen_is_found_out() -> None:
    """Waiting without a time-out for an event that nobody can set is reported at once."""
    run = fly("import threading; threading.Event().wait()")
    assert run.how.startswith("stuck: every thread waits for what cannot happen\n")
    assert 'File "<string>", line 9, in <module>' in run.how


def test_a_script_that_never_yields_is_found_out_by_the_wall() -> None:
    """A loop that neither waits nor reads a clock is ended by the watchdog."""
    run = fly("while True: pass", watchdog_s=1.0)
    assert run.how == "stuck: it neither waited nor ended within 1 s of wall time"


@pytest.mark.parametrize(
    ("ending", "code"),
    [("sys.exit(3)", 3), ("raise ValueError", 1), ("os._exit(4)", 4), ("os.kill(os.getpid(), 9)", -9)],
)
def test_every_way_to_end_is_noticed(ending: str, code: int) -> None:
    """However a script ends, the broker notices, and what it sent before counts."""
    run = fly(f"s = listen()\n_, peer = s.recvfrom(9); s.sendto(b'last', peer)\n{ending}", TICKS)
    assert (run.how, run.exit_code, run.sent[0][1]) == ("gone", code, b"last")


def test_a_sleeping_script_loses_what_the_modelled_queue_says() -> None:
    """Of 300 datagrams that come while it sleeps, a script reads the 256 that fit into Linux's default queue."""
    script = """
s = listen(); time.sleep(4); s.setblocking(False); n = 0
try:
    while s.recv(99): n += 1
except BlockingIOError: print(n)
"""
    run = fly(script, [(10_000 * n, b"x" * 40) for n in range(1, 301)])
    assert (run.output, run.counters["frames_dropped"]) == ("256\n", 44)


@pytest.mark.parametrize("left", [True, False], ids=["its socket is left", "nothing is left"])
def test_a_script_whose_harness_died_before_it_began_does_not_go_on_by_itself(
    tmp_path: Path, *, left: bool
) -> None:
    """It would fly in wall time with nobody to watch it."""
    path = tmp_path / "clock"
    if left:
        with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as listening:
            listening.bind(str(path))
    environment = {**os.environ, "PYTHONPATH": str(SHIM), SOCKET_VARIABLE: str(path)}
    words = [sys.executable, "-c", "print('flies on')"]
    done = subprocess.run(words, env=environment, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (1, "")
