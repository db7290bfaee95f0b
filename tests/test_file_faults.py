"""Which errors are one file's fault, and the words they are put in."""

import errno

import pytest

from pipelines.errors import BusyError, InputError, UnreadableFileError
from pipelines.file_faults import fault_of_file


def test_an_error_about_the_file_stays_as_it_is() -> None:
    error = UnreadableFileError("damaged", where="a.csv", next_step="export it again")
    assert fault_of_file(error, "a.csv") is error


def test_words_that_nothing_can_store_are_made_storable_and_short() -> None:
    found = fault_of_file(InputError("\ud800" + "x" * 100_000, where="\udfff"), "a.csv")
    assert found is not None and found.what.startswith(r"\ud800xx") and len(str(found).encode()) < 3000


def test_a_fault_of_kitfare_says_so_and_where_it_happens() -> None:
    try:
        "".encode("no such thing")
    except LookupError as error:
        found = fault_of_file(error, "a.csv")
    assert found is not None and "LookupError" in found.what and "fault of its own" in found.what
    assert found.where == "a.csv" and "report" in found.next_step
    assert "memory" in str(fault_of_file(MemoryError(), "a.csv"))
    same = [str(fault_of_file(ValueError(f"<object at 0x7f{n}aaaaaaa>"), "a.csv")) for n in (1, 2)]
    assert same[0] == same[1]


@pytest.mark.parametrize("error", [KeyboardInterrupt(), SystemExit(), GeneratorExit(), TimeoutError(), BusyError("x"), OSError(errno.EIO, "x"),
                                   ValueError("No space left on device")])  # fmt: skip
def test_what_is_not_the_files(error: BaseException) -> None:
    assert fault_of_file(error, "a.csv") is None


def test_an_interrupt_that_a_library_has_made_an_error_of() -> None:
    try:
        try:
            raise KeyboardInterrupt
        except KeyboardInterrupt:
            raise ValueError("cleaning up failed")  # noqa: B904
    except ValueError as error:
        assert fault_of_file(error, "a.csv") is None
