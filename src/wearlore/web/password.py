"""The password of a workshop folder: its hash alone is kept, in a file that nobody but its owner can read."""

from __future__ import annotations

import os
import secrets
from pathlib import Path

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from wearlore.errors import ServeError

FILE = "password.argon2"
LEAST, MOST = 10, 1000  # characters


class Password:
    """The password of ``folder``, if one is set there; what another process sets or takes away counts at once."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / FILE

    def hashed(self) -> str | None:
        """The hash (argon2id) as the file has it; None where no password is set. Raises ServeError."""
        try:
            return self.path.read_text(encoding="ascii").strip()
        except FileNotFoundError:
            return None
        except (OSError, UnicodeDecodeError) as error:
            raise ServeError(f"{self.path}: the password cannot be read", "Mend its rights, or set it anew.") from error

    def set(self, word: str) -> None:
        """Raises ServeError for one that is too short, or a folder that cannot be written."""
        if not LEAST <= len(word) <= MOST:
            raise ServeError(
                f"the password has {len(word)} characters", f"Take {LEAST} or more: a few words are easy to remember."
            )
        hashed = PasswordHasher().hash(word)
        beside = self.path.with_name(f"{FILE}.{secrets.token_hex(4)}")
        try:
            with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
                file.write(f"{hashed}\n")
            beside.replace(self.path)
        except OSError as error:
            beside.unlink(missing_ok=True)
            raise _unwritable(self.path, error) from error

    def remove(self) -> bool:
        """Whether there was one. Raises ServeError."""
        try:
            self.path.unlink()
        except FileNotFoundError:
            return False
        except OSError as error:
            raise _unwritable(self.path, error) from error
        return True


def fits(word: str, hashed: str) -> bool:
    """Whether ``word`` is the password; slow on purpose (some tenths of a second)."""
    if len(word) > MOST:
        return False
    try:
        return PasswordHasher().verify(hashed, word)
    except (VerificationError, InvalidHashError):
        return False


def _unwritable(path: Path, error: OSError) -> ServeError:
    return ServeError(f"{path}: the password cannot be changed ({error.strerror})", "Mend the rights of the folder.")
