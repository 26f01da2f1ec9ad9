"""NIST's and the RFC's vectors through the adapters: on the host, and through BearSSL on Cortex-M under QEMU.

Sources: NIST CAVP FIPS 186-3 SigVer and SigGen for P-256 with SHA-256, and SHA-256 short and long messages, from the cryptography-vectors
package; RFC 6979 appendix A.2.5. A point that is not on the curve, and r or s of 0 or n: SEC 1 version 2 sections 3.2.2.1 and 4.1.4.
"""

import hashlib
from collections.abc import Callable
from pathlib import Path

import cryptography_vectors
import pytest
from c_build import HERE, PLAIN, SOURCES, bearssl, build_crypto, run
from machines import COMPILER, MACHINES, run_on
from test_p256 import POINT, SAMPLE, TEST, nist_cases

from imgseal.keys.p256 import ORDER

LONG = 6  # of the long messages: emulation is slow, and the first ones cross block boundaries already


def hashes() -> list[tuple[bytes, str]]:
    found = []
    for name, most in (("SHA256ShortMsg.rsp", 100), ("SHA256LongMsg.rsp", LONG)):
        with cryptography_vectors.open_vector_file(str(Path("hashes/SHA2") / name), "r") as stream:
            fields = [line.strip().split(" = ") for line in stream if " = " in line]
        lengths, messages, digests = (
            [value for key, value in fields if key == wanted] for wanted in ("Len", "Msg", "MD")
        )
        rows = zip(lengths, messages, digests, strict=True)
        found += [(bytes.fromhex(text)[: int(bits) // 8], digest) for bits, text, digest in rows][:most]
    return found


def signatures() -> list[tuple[bytes, bool]]:
    """x, y, digest, r, s in one; and whether it verifies."""
    out = []
    for case in (*nist_cases("SigVer.rsp"), *nist_cases("SigGen.txt")):
        point = bytes.fromhex(case["Qx"].zfill(64) + case["Qy"].zfill(64))
        digest = hashlib.sha256(bytes.fromhex(case["Msg"])).digest()
        out.append(
            (
                point + digest + bytes.fromhex(case["R"].zfill(64) + case["S"].zfill(64)),
                case.get("Result", "P").startswith("P"),
            )
        )
    point = bytes.fromhex("".join(POINT))
    for message, value in ((b"sample", SAMPLE), (b"test", TEST)):
        digest, raw = hashlib.sha256(message).digest(), bytes.fromhex(value)
        out += [(point + digest + raw, True), (point + digest + raw[:-1] + bytes([raw[-1] ^ 1]), False)]
        out.append((point[:-1] + bytes([point[-1] ^ 1]) + digest + raw, False))
        out += [(point + digest + bad.to_bytes(32) + raw[32:], False) for bad in (0, ORDER)]
        out += [(point + digest + raw[:32] + bad.to_bytes(32), False) for bad in (0, ORDER)]
    return out


def check(folder: Path, call: Callable[[], str]) -> None:
    batch = [b"\x01" + len(data).to_bytes(4, "little") + data for data, _ in hashes()]
    batch += [b"\x02" + raw for raw, _ in signatures()]
    (folder / "batch.bin").write_bytes(b"".join(batch))
    said = call().split()
    assert said == [*(digest for _, digest in hashes()), *("yes" if good else "no" for _, good in signatures())]
    assert len(said) > 80
    assert {"yes", "no"} <= set(said)


@pytest.mark.parametrize("core", MACHINES)
def test_on_cortex_m(core: str, tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("qemu-system-arm")
    tool(COMPILER)
    machine = MACHINES[core]
    crypto = build_crypto(tmp_path / "crypto", COMPILER, machine.flags)
    sources = (SOURCES / "seal_bearssl.c", HERE / "vector_main.c")
    includes = (f"-I{SOURCES}", f"-I{PLAIN}", f"-I{bearssl() / 'inc'}")
    run([COMPILER, "-std=c99", *machine.flags, *includes, *sources, crypto, "-o", tmp_path / "vectors", *machine.tail])
    check(tmp_path, lambda: run_on(machine, tmp_path / "vectors", "batch.bin", cwd=tmp_path))


def test_psa_on_the_host(tool: Callable[[str], str], tmp_path: Path) -> None:
    tool("gcc")
    tool("/usr/include/psa/crypto.h")
    run(
        ["gcc", "-std=c99", "-O1", "-DCRYPTO=seal_psa", "-DPREPARE=psa_crypto_init", "-include", "psa/crypto.h", f"-I{SOURCES}", f"-I{PLAIN}",
         SOURCES / "seal_psa.c", HERE / "vector_main.c", "-o", tmp_path / "vectors", "-lmbedcrypto"]
    )  # fmt: skip
    check(tmp_path, lambda: run([tmp_path / "vectors"], cwd=tmp_path))
