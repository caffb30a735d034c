"""Whatever the bytes of a file are: taken, or one of our errors; never another exception, never half a file."""

from __future__ import annotations

import io
from datetime import date
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq
import pytest

from wearlore.book.model import Book
from wearlore.errors import RecordsError, RecordsErrors
from wearlore.records.intake import take
from wearlore.records.store import Store

ROUNDS = 60
TODAY = date(2024, 6, 30)
FILES = {
    "vehicles": b"vehicle,variant,built,history,duty\nv4,standard,2014-05-01,complete,\nv5,strong,2016-03-01,,taxi\n",
    "lines": (
        b"vehicle,date,odometer,unit,visit,component,position,finding,mode,action,revision,grade,text\n"
        b"v1,2016-01-01,40000,km,17,pump,,failed,pump-leak,renewed,B,economy,\"weeping,\nbadly\"\n"
        b"v1,2017-01-01,60000,,,injector,all,good,,,,,\n"
        b"v2,2019-05-01,80000,,,cooler,,original,,cleaned,,,\n"
        b"v3,2021-01-01,30000,miles,,booster,,failed,booster-slack,,,,\n"
    ),
    "readings": b"vehicle,date,odometer,reading,value\nv1,2016-01-01,40000,rail-pressure,1250.5\n",
}  # fmt: skip
SCRAPS = [
    b",", b"\n", b'"', b"\r", b"\x00", b"\xff", b"'", b"-", b"1e999", b"nan", b"all", b"9" * 400, b"\xe2\x80\xa8", b";",
    b"0000-00-00", b"294247-01-10", b"vehicle", b"," * 30, b"{}", b"$1", b"''); DROP TABLE lines; --",
]  # fmt: skip


def mutated(content: bytes, rng: np.random.Generator) -> bytes:
    """One to four changes: a byte, a scrap put in, a piece cut out, doubled or moved."""
    data = bytearray(content)
    for _ in range(int(rng.integers(1, 5))):
        at, end = sorted(int(k) for k in rng.integers(0, len(data) + 1, 2))
        match int(rng.integers(0, 5)):
            case 0 if at < len(data):
                data[at] = int(rng.integers(0, 256))
            case 1:
                data[at:at] = SCRAPS[int(rng.integers(0, len(SCRAPS)))]
            case 2:
                del data[at : min(end, at + 40)]
            case 3:
                data[at:at] = data[at:end]
            case _:
                del data[end:]
    return bytes(data)


def as_parquet(content: bytes) -> bytes:
    sink = io.BytesIO()
    table = pa.csv.read_csv(io.BytesIO(content), parse_options=pa.csv.ParseOptions(newlines_in_values=True))
    pq.write_table(table, sink)
    return sink.getvalue()


def content(store: Store) -> list:
    tables = ("vehicles", "visits", "lines", "readings", "intakes", "quarantine")
    return [store.connection.execute(f"SELECT count(*), sum(hash(t)) FROM {table} t").fetchall() for table in tables]


@pytest.mark.slow
@pytest.mark.usefixtures("fleet")
@pytest.mark.parametrize("suffix", ["csv", "parquet"])
@pytest.mark.parametrize("kind", list(FILES))
@pytest.mark.parametrize("quarantine", [False, True], ids=["refuse", "quarantine"])
def test_mutated_files(store: Store, book: Book, tmp_path: Path, kind: str, suffix: str, quarantine: bool) -> None:
    rng = np.random.default_rng([len(kind), len(suffix), quarantine])
    valid = FILES[kind] if suffix == "csv" else as_parquet(FILES[kind])
    path = tmp_path / f"{kind}.{suffix}"
    refused = taken = 0
    before = content(store)
    for _ in range(ROUNDS):
        path.write_bytes(mutated(valid, rng))
        try:
            intake = take(store, book, path, today=TODAY, quarantine=quarantine)
        except (RecordsError, RecordsErrors) as error:
            refused += 1
            said = str(error)
            if str(path) not in said:
                pytest.fail(f"no file is named: {said}")
            assert content(store) == before
        else:
            taken += 1
            assert intake.read == intake.stored + intake.quarantined
            before = content(store)
    assert refused > ROUNDS / 10
    path.write_bytes(valid)
    assert take(store, book, path, today=TODAY, quarantine=True).read > 0
