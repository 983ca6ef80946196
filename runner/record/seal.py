"""Seals a record with an Ed25519 signature, and finds what was altered since.

The seal is the file ``seal.json`` in the record. It holds the hash of the journal's last line,
a hash of the whole journal, up to 64 checkpoints along the chain and the public key, all under
one signature. Waveforms are covered because the journal names their hashes. Nothing is fetched.

A seal proves that the record is what the holder of the key sealed. It cannot prove that the
holder measured honestly, nor when.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from runner.clock import Clock
from runner.errors import RecordError
from runner.record.chain import Fault, chain_faults, split_lines
from runner.record.journal import JOURNAL_NAME, line_hash
from runner.record.keys import fingerprint
from runner.record.waveforms import WAVEFORM_FOLDER

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

__all__ = ["SEAL_NAME", "Verdict", "seal_record", "verify_record"]

SEAL_NAME = "seal.json"
_CHECKPOINTS = 64


@dataclass(frozen=True, slots=True)
class Verdict:
    """What ``verify_record`` found. ``signer`` is the fingerprint of the key that sealed it."""

    sealed: bool
    signer: str
    trusted: bool
    faults: tuple[Fault, ...]
    last_hash: str

    @property
    def proven(self) -> bool:
        """Whether the record is unaltered under a seal of a key that is trusted."""
        return self.sealed and self.trusted and not self.faults


def _canonical(fields: Mapping[str, Any]) -> bytes:
    return json.dumps(fields, sort_keys=True, indent=1, ensure_ascii=True).encode() + b"\n"


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise RecordError(f"{path} cannot be read ({error.strerror})") from None


def _checkpoint_lines(count: int) -> list[int]:
    """Line numbers (from 1) whose hashes go into the seal, the last one always."""
    step = max(1, -(-count // _CHECKPOINTS))
    return sorted({*range(step, count + 1, step), count})


def seal_record(folder: Path, key: Ed25519PrivateKey, clock: Clock) -> Verdict:
    """Write the seal of a whole record.

    :raises RecordError: the record is altered or torn, is sealed already, or cannot be written
    """
    journal = _read(folder / JOURNAL_NAME)
    faults = [*chain_faults(journal), *_waveform_faults(folder, journal)]
    if faults:
        raise RecordError(f"{folder} is not sealed: {faults[0].sentence}")
    lines, _ = split_lines(journal)
    if not lines:
        raise RecordError(f"{folder} is not sealed: the journal is empty")
    body = {
        "format": 1,
        "lines": len(lines),
        "last_hash": line_hash(lines[-1]),
        "journal_sha256": hashlib.sha256(journal).hexdigest(),
        "checkpoints": {str(n): line_hash(lines[n - 1]) for n in _checkpoint_lines(len(lines))},
        "sealed_utc": clock.utc().isoformat(timespec="seconds"),
        "public_key": key.public_key().public_bytes_raw().hex(),
    }
    signature = key.sign(_canonical(body)).hex()
    try:
        with (folder / SEAL_NAME).open("xb") as handle:
            handle.write(_canonical({**body, "signature": signature}))
    except FileExistsError:
        raise RecordError(f"{folder} is sealed already") from None
    except OSError as error:
        raise RecordError(f"{folder / SEAL_NAME} cannot be written ({error.strerror})") from None
    return verify_record(folder, [key.public_key().public_bytes_raw()])


def verify_record(folder: Path, trusted: Sequence[bytes]) -> Verdict:
    """Compare a record with its seal; ``trusted`` are public keys, 32 raw bytes each.

    :raises RecordError: there is no readable journal
    """
    journal = _read(folder / JOURNAL_NAME)
    lines, _ = split_lines(journal)
    faults = [*chain_faults(journal), *_waveform_faults(folder, journal)]
    last_hash = line_hash(lines[-1]) if lines else ""
    path = folder / SEAL_NAME
    if not path.exists():
        return Verdict(False, "", False, tuple(faults), last_hash)
    seal, public = _checked_seal(_read(path))
    if seal is None:
        faults.append(Fault("the seal itself was altered", file=SEAL_NAME))
        return Verdict(True, "", False, tuple(faults), last_hash)
    if hashlib.sha256(journal).hexdigest() != seal["journal_sha256"]:
        faults += _against_seal(lines, seal, named=bool(faults))
    return Verdict(True, fingerprint(public), public in trusted, tuple(faults), last_hash)


def _checked_seal(data: bytes) -> tuple[dict[str, Any] | None, bytes]:
    """Return the seal and its key when it is, byte for byte, what was signed."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        seal = json.loads(data)
        if not isinstance(seal, dict) or _canonical(seal) != data or seal["format"] != 1:
            return None, b""
        body = {key: value for key, value in seal.items() if key != "signature"}
        public = bytes.fromhex(seal["public_key"])
        Ed25519PublicKey.from_public_bytes(public).verify(
            bytes.fromhex(seal["signature"]), _canonical(body)
        )
    except (ValueError, KeyError, TypeError, InvalidSignature, RecursionError):
        return None, b""
    return seal, public


def _against_seal(lines: list[bytes], seal: Mapping[str, Any], *, named: bool) -> list[Fault]:
    """Say between which checkpoints the journal differs from what was sealed."""
    good = 0
    for number in sorted(map(int, seal["checkpoints"])):
        if number > len(lines) or line_hash(lines[number - 1]) != seal["checkpoints"][str(number)]:
            words = f"the journal differs from what was sealed between line {good + 1} and {number}"
            return [Fault(words, None if named else good + 1)]
        good = number
    return [Fault(f"bytes follow line {good}, the last one that was sealed", good + 1)]


def _waveform_faults(folder: Path, journal: bytes) -> list[Fault]:
    """Compare the waveform files with the hashes that the journal names."""
    faults: list[Fault] = []
    named: set[str] = set()
    for number, piece in enumerate(split_lines(journal)[0], start=1):
        if b'"waveform"' not in piece:
            continue
        try:
            line = json.loads(piece)
            if line["kind"] != "waveform":
                continue
            file, sha256 = str(line["file"]), str(line["sha256"])
        except (ValueError, KeyError, TypeError):
            continue  # the chain names this line already
        named.add(file)
        faults += _file_fault(folder, file, sha256, number)
    present = {f"{WAVEFORM_FOLDER}/{p.name}" for p in (folder / WAVEFORM_FOLDER).glob("*")}
    faults += [
        Fault(f"{file} is not named in the journal", file=file) for file in sorted(present - named)
    ]
    return faults


def _file_fault(folder: Path, file: str, sha256: str, number: int) -> list[Fault]:
    path = (folder / file).resolve()
    if not path.is_relative_to(folder.resolve()):
        return [Fault(f"{file} lies outside the record", number, file)]
    try:
        data = path.read_bytes()
    except OSError:
        return [Fault(f"{file}, named in line {number}, is missing", number, file)]
    if hashlib.sha256(data).hexdigest() != sha256:
        return [Fault(f"{file}, named in line {number}, was altered", number, file)]
    return []
