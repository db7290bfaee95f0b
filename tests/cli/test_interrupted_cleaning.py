from pipelines.errors import is_interrupt


def test_an_error_while_an_interrupt_is_cleaned_up_is_an_interrupt() -> None:
    try:
        try:
            raise KeyboardInterrupt
        finally:
            raise ValueError("a task that never began")
    except ValueError as error:
        assert is_interrupt(error)
    assert not is_interrupt(ValueError("a fault"))
