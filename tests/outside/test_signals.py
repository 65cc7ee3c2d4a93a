"""Signals, checked against other implementations and published numbers.

Sources: cantools 45.1 (cantools.readthedocs.io), canmatrix 1.3 (github.com/ebroecker/canmatrix), crccheck
1.3, whose parameters and check values are those of the "Catalogue of parametrised CRC algorithms"
(reveng.sourceforge.io/crc-catalogue).
"""

import random
from pathlib import Path

import canmatrix.formats
import crccheck.crc
import pytest
from canmatrix.ArbitrationId import ArbitrationId

from bridge.core.wire.checksum import Checksum
from bridge.core.wire.codec import Decoder, Field, MessageLayout, encode_raws
from bridge.core.wire.grid import Grid
from bridge.errors import FrameRefused, NotExpressible
from bridge.profile.dbc import load_dbc
from bridge.quantities import Rounding
from tests.core.layouts import judge, numbers, walk

WORKSHOP = """VERSION ""
BU_: Cabin
BO_ 419 Shelf: 8 Cabin
 SG_ jar : 0|12@1+ (0.1,0) [0|409.5] "V" Cabin
 SG_ tin : 12|10@1- (0.5,-20) [-276|235.5] "A" Cabin
 SG_ box : 31|16@0+ (0.01,0) [0|655.35] "V" Cabin
 SG_ cup : 47|12@0- (-0.25,100) [0|0] "degC" Cabin
 SG_ pin : 51|5@0+ (1,3) [0|0] "" Cabin
 SG_ lid : 62|1@1+ (1,0) [0|1] "" Cabin
BO_ 2485164105 Bench: 8 Cabin
 SG_ saw : 7|32@0- (0.001,-1000) [0|0] "Wh" Cabin
 SG_ axe : 32|16@1- (0.1,0) [0|0] "A" Cabin
 SG_ nail : 48|16@1+ (1,0) [0|65535] "" Cabin
BO_ 733 Drawer: 8 Cabin
 SG_ tray M : 0|8@1+ (1,0) [0|255] "" Cabin
 SG_ knob m0 : 8|16@1- (0.1,0) [0|0] "A" Cabin
 SG_ cord m1 : 15|24@0+ (0.001,0) [0|0] "V" Cabin
 SG_ lamp m2 : 8|32@1- (1,0) [0|0] "" Cabin
 SG_ hook : 40|24@1- (-2,7) [0|0] "" Cabin
SIG_VALTYPE_ 733 lamp : 1;
"""


def _layouts(tmp_path: Path, text: str) -> dict[str, MessageLayout]:
    path = tmp_path / "workshop.dbc"
    path.write_text(text)
    return load_dbc(path)


def _canmatrix(text: str, key: int, data: bytes) -> dict[str, float]:
    """What canmatrix decodes, which shares no code with cantools."""
    matrix = canmatrix.formats.loads_flat(text, "dbc")
    assert matrix is not None
    extended = bool(key & 0x8000_0000)
    frame = matrix.frame_by_id(ArbitrationId(key & 0x1FFF_FFFF, extended=extended))
    return {name: float(signal.phys_value) for name, signal in frame.decode(data).items()}


def test_three_decoders_agree(tmp_path: Path) -> None:
    """cantools, canmatrix and a plain bit walk see what the decoder sees: Intel, Motorola, signed, negative
    factor, 29 bits, pages, float32.
    """
    draw = random.Random(20240611)
    for layout in _layouts(tmp_path, WORKSHOP).values():
        names = [field.name for field in layout.fields]
        message = judge(WORKSHOP, layout.name)
        for _ in range(40):
            data = draw.randbytes(8)
            if layout.name == "Drawer":
                data = bytes([draw.randrange(3)]) + data[1:]
            try:
                values = dict(zip(names, Decoder(layout, names).decode(data), strict=True))
            except FrameRefused:
                assert data[0] == 2
                continue
            seen = {name: value for name, value in values.items() if value is not None}
            assert seen == numbers(message, data)
            assert seen == pytest.approx(_canmatrix(WORKSHOP, layout.key, data))
            raws = dict(zip(names, Decoder(layout, names).raws(data), strict=True))
            assert {name: raws[name] for name in seen} == {n: walk(layout.field(n), data) for n in seen}


SENSOR = """VERSION ""
BU_: Cabin
BO_ 496 Sensor: 8 Cabin
 SG_ Temperature : 0|12@0- (0.01,250) [229.52|270.47] "degK" Cabin
 SG_ AverageRadius : 6|6@0+ (0.1,0) [0|5] "m" Cabin
 SG_ Enable : 7|1@0+ (1,0) [0|0] "-" Cabin
"""


@pytest.mark.parametrize(
    ("values", "published"),
    [((250.55, 3.2, 1), "c006e00000000000"), ((229.53, 0, 0), "0100200000000000")],
)
def test_published_vectors_of_a_motorola_message(
    tmp_path: Path, values: tuple[float, ...], published: str
) -> None:
    """cantools test suite (MIT), the motohawk message: values to bytes, and back."""
    layout = _layouts(tmp_path, SENSOR)["Sensor"]
    names = ("Temperature", "AverageRadius", "Enable")
    for rounding in Rounding:
        grids = [Grid(layout.field(name), rounding=rounding) for name in names]
        raws = {name: grid.to_raw(value) for name, grid, value in zip(names, grids, values, strict=True)}
        assert encode_raws(layout, raws).hex() == published
    assert Decoder(layout, names).decode(bytes.fromhex(published)) == pytest.approx(list(values))


def test_published_vector_of_33_signed_bits() -> None:
    """cantools test suite (MIT), s33: -5 is FBFFFFFF01000000."""
    layout = MessageLayout("Message33", 1, 8, (Field("s33", 0, 33, signed=True),))
    assert encode_raws(layout, {"s33": -5}).hex() == "fbffffff01000000"
    assert Decoder(layout, ["s33"]).decode(bytes.fromhex("fbffffff01000000")) == [-5]


def test_the_exact_grid() -> None:
    """cantools issue 635: 52.800 at a factor of 0.025 is raw 2112; floats, cut off, give 2111."""
    assert int(52.8 / 0.025) == 2111
    for rounding in Rounding:
        assert Grid(Field("v", 0, 16, factor=0.025), rounding=rounding).to_raw(52.8) == 2112


def test_general_encoders_round_to_nearest(tmp_path: Path) -> None:
    """cantools 45.1 (run) sends 12.25 and 12.36 at 0.1 as 122 and 124; a ceiling of 12.36 must be 123."""
    text = 'VERSION ""\nBU_: A\nBO_ 1 M: 8 A\n SG_ v : 0|16@1+ (0.1,0) [0|0] "" A\n'
    message = judge(text, "M")
    field = _layouts(tmp_path, text)["M"].field("v")
    seen = [int.from_bytes(message.encode({"v": value})[:2], "little") for value in (12.25, 12.36)]
    assert seen == [122, 124]
    assert [Grid(field, rounding=Rounding.DOWN).to_raw(value) for value in (12.25, 12.36)] == [122, 123]
    assert [Grid(field, rounding=Rounding.UP).to_raw(value) for value in (12.25, 12.36)] == [123, 124]


def test_overflow_never_wraps() -> None:
    """canmatrix 1.3 wraps silently; here 70000 in 16 bits, -10 unsigned and NaN either saturate or raise."""
    field = Field("v", 0, 16)
    layout = MessageLayout("M", 1, 8, (field,))
    for raw in (70000, -10):
        with pytest.raises(NotExpressible):
            encode_raws(layout, {"v": raw})
    down = Grid(field, rounding=Rounding.DOWN)
    assert down.to_raw(70000) == 65535
    for value in (-10.0, float("nan")):
        with pytest.raises(NotExpressible):
            down.to_raw(value)


def test_the_same_number_with_11_and_29_bits(tmp_path: Path) -> None:
    """cantools 45.1 (run): a file may hold 64 and 2147483712; they are two messages."""
    text = 'VERSION ""\nBU_: A\nBO_ 64 Short: 8 A\n\nBO_ 2147483712 Long: 4 A\n'
    keys = {name: layout.key for name, layout in _layouts(tmp_path, text).items()}
    assert keys == {"Short": 64, "Long": 2147483712}
    assert {name: judge(text, name).frame_id for name in keys} == {"Short": 64, "Long": 64}


CRC8 = [algorithm for algorithm in crccheck.crc.ALLCRCCLASSES if algorithm._width == 8]


@pytest.mark.parametrize("algorithm", CRC8, ids=lambda algorithm: str(algorithm.__name__))
def test_crc8_of_the_published_catalogue(algorithm: type[crccheck.crc.Crc8Base]) -> None:
    """Every 8-bit CRC of the catalogue gives its check value over "123456789", and agrees on all else."""
    assert algorithm._reflect_input == algorithm._reflect_output
    checksum = Checksum(
        "crc8",
        tuple(range(9)),
        polynomial=algorithm._poly,
        init=algorithm._initvalue,
        xor_out=algorithm._xor_output,
        reflect=algorithm._reflect_input,
    )
    assert checksum.compute(b"123456789") == algorithm._check_result
    data = random.Random(algorithm._poly).randbytes(9)
    assert checksum.compute(data) == algorithm.calc(data)


@pytest.mark.parametrize(
    ("polynomial", "init", "xor_out", "reflect", "check"),
    [
        (0x07, 0x00, 0x00, False, 0xF4),
        (0x1D, 0xFF, 0xFF, False, 0x4B),
        (0x2F, 0xFF, 0xFF, False, 0xDF),
        (0x31, 0x00, 0x00, True, 0xA1),
        (0x07, 0xFF, 0x00, True, 0xD0),
        (0x1D, 0xC7, 0x00, False, 0x99),
    ],
)
def test_crc8_check_values_typed_by_hand(
    polynomial: int, init: int, xor_out: int, reflect: bool, check: int
) -> None:
    """Check values of the catalogue: SMBUS, SAE-J1850, AUTOSAR, MAXIM-DOW, ROHC, MIFARE-MAD."""
    checksum = Checksum("crc8", tuple(range(9)), polynomial, init, xor_out, reflect)
    assert checksum.compute(b"123456789") == check


def test_crc8_algorithms_are_there() -> None:
    """The catalogue has some twenty of them; an empty list would prove nothing."""
    assert len(CRC8) >= 15
