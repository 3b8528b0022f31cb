"""Becomes another program that ends with its owner. Run as a script, with nothing but the standard library:

    python -I -S confined.py OWNER IDENTITY SIGNAL PROGRAM ARGUMENT...

OWNER is the process to outlive never, SIGNAL what is sent to us when it dies, IDENTITY one of

* `plain`: run as whoever we are;
* `namespace`: enter a user namespace in which root is an ordinary user. Postgres refuses to run as root; in here it
  does not see that it is, and its files stay root's outside;
* `nobody`: become the user nobody, where namespaces are refused (in most containers). Of root's rights only that of
  reaching files is kept, since programs and data may lie in a home that is closed to others.

A session of its own keeps Ctrl-C at the terminal away from the program: its owner stops it in good order.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import pwd
import signal as signals
import sys
from pathlib import Path

PR_SET_PDEATHSIG = 1
PR_SET_KEEPCAPS = 8
PR_CAP_AMBIENT, PR_CAP_AMBIENT_RAISE = 47, 2
PR_SET_SECUREBITS, SECBIT_NO_SETUID_FIXUP = 28, 1 << 2
CAP_DAC_OVERRIDE, CAP_SETPCAP = 1, 8
CAPABILITY_VERSION_3 = 0x2008_0522
CLONE_NEWUSER = 0x1000_0000
ORDINARY_ID = 65534
"""Any id but 0 will do inside the namespace; this one is nobody's by convention."""


def _call(name: str, *arguments: int) -> None:
    libc = ctypes.CDLL(None, use_errno=True)
    if getattr(libc, name)(*map(ctypes.c_ulong, arguments)) != 0:
        number = ctypes.get_errno()
        raise OSError(number, f"{name}: {os.strerror(number)}")


def _enter_namespace() -> None:
    user, group = os.getuid(), os.getgid()
    _call("unshare", CLONE_NEWUSER)
    Path("/proc/self/setgroups").write_text("deny")
    Path("/proc/self/uid_map").write_text(f"{ORDINARY_ID} {user} 1")
    Path("/proc/self/gid_map").write_text(f"{ORDINARY_ID} {group} 1")


def _become_nobody() -> None:
    nobody = pwd.getpwnam("nobody")
    _call("prctl", PR_SET_KEEPCAPS, 1, 0, 0, 0)
    os.setgroups([])
    os.setgid(nobody.pw_gid)
    os.setuid(nobody.pw_uid)
    # Root need not have these rights; what is open to others will do then.
    with contextlib.suppress(OSError):
        _set_capabilities(CAP_DAC_OVERRIDE, CAP_SETPCAP)
        # Otherwise access(2), by which initdb looks for its programs, would ignore the capability.
        _call("prctl", PR_SET_SECUREBITS, SECBIT_NO_SETUID_FIXUP, 0, 0, 0)
    with contextlib.suppress(OSError):
        _set_capabilities(CAP_DAC_OVERRIDE)
        _call("prctl", PR_CAP_AMBIENT, PR_CAP_AMBIENT_RAISE, CAP_DAC_OVERRIDE, 0, 0)


def _set_capabilities(*capabilities: int) -> None:
    """Have these and no others; see capget(2). The ambient set carries them through exec, see capabilities(7)."""
    header = (ctypes.c_uint32 * 2)(CAPABILITY_VERSION_3, 0)
    bits = sum(1 << capability for capability in capabilities)
    # effective, permitted, inheritable: of the first 32 capabilities, then of the others
    data = (ctypes.c_uint32 * 6)(bits, bits, bits, 0, 0, 0)
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.capset(ctypes.byref(header), ctypes.byref(data)) != 0:
        number = ctypes.get_errno()
        raise OSError(number, f"capset: {os.strerror(number)}")


def main(owner: str, identity: str, signal: str, program: str, *arguments: str) -> None:
    """Take the identity, tie ourselves to the owner, and become the program."""
    os.setsid()
    # An owner that waits for signals blocks them, and a block outlives exec.
    signals.pthread_sigmask(signals.SIG_SETMASK, [])
    if identity == "namespace":
        _enter_namespace()
    elif identity == "nobody":
        _become_nobody()
    # After the change of identity, which would clear it again.
    _call("prctl", PR_SET_PDEATHSIG, int(signal), 0, 0, 0)
    if os.getppid() != int(owner):
        sys.exit("confined: the owner is gone already")
    os.execv(program, [program, *arguments])  # noqa: S606  no shell is the point


if __name__ == "__main__":
    main(*sys.argv[1:])
