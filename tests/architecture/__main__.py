"""``python -m tests.architecture``: the size of the matrix of who may do what, and its gaps."""

from __future__ import annotations

from tests.own_database import own_database


def main() -> None:
    """Play it in a database of its own."""
    with own_database("test_matrix"):
        from tests.architecture.matrix import play
        from tests.pages import ROLES, World

        played = play(World(), nobodys=True)
        print(f"addresses: {played.addresses}, roles: {len(ROLES)}")
        print(f"cells (address x method x role, own or somebody else's object): {played.tried}")
        print(f"cells beside an id that nobody has: {played.of_nobody}")
        print(f"gaps: {len(played.gaps)}")
        for gap in played.gaps:
            print(f"  {gap}")
    raise SystemExit(bool(played.gaps))


if __name__ == "__main__":
    main()
