"""Passwords: what is taken, and how they are kept."""

import argon2
import pytest

from underlid.access.passwords import check_password, hash_password, is_right


def test_a_hash_is_argon2id_with_the_memory_and_passes_of_rfc_9106() -> None:
    # RFC 9106, section 4, second recommended option: t=3, 4 lanes, 64 MiB, 128-bit salt, 256-bit tag.
    hashed = hash_password("grounds and trimmings")
    parameters = argon2.extract_parameters(hashed)
    assert parameters.type is argon2.Type.ID
    assert (parameters.time_cost, parameters.parallelism, parameters.memory_cost) == (3, 4, 65536)
    assert (parameters.salt_len, parameters.hash_len) == (16, 32)
    argon2.PasswordHasher().verify(hashed, "grounds and trimmings")  # another library takes it


def test_only_the_password_is_right_and_nobody_has_none() -> None:
    hashed = hash_password("grounds and trimmings")
    assert is_right("grounds and trimmings", hashed)
    assert not is_right("grounds and trimming", hashed)
    assert not is_right("nobody has this password", None)


def test_the_same_signs_composed_otherwise_are_the_same_password() -> None:
    # Unicode Standard Annex 15: e with acute as one code point and as two have the same NFKC form.
    assert is_right("cafe\u0301 and trimmings", hash_password("caf\u00e9 and trimmings"))


@pytest.mark.parametrize(
    "password", ["short", "x" * 201, "aaaaaaaaaaaaaaa", "abababababababab", "anna has worms"]
)
def test_a_password_that_is_short_long_or_easily_guessed_is_refused(password: str) -> None:
    with pytest.raises(ValueError, match="password"):
        check_password(password, "Anna")


def test_any_signs_will_do() -> None:
    for password in ("correct horse battery", "жук под крышкой", "        six words of blanks  "):
        check_password(password, "Anna")
