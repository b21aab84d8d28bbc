"""Giving the running service its rights in the database, and no more. Run by the role that owns the tables."""

from __future__ import annotations

from django.db import connection, transaction
from psycopg import sql

from surveys.errors import Faulty, NotFound
from surveys.services.events import write_event
from surveys.table_rights import DRAWN_FROM, FUNCTIONS, RIGHTS, Rights

#: What a role could use to get round its rights, and how a refusal calls it (PostgreSQL manual, "CREATE ROLE").
_TOO_MUCH = {
    "rolsuper": "is a superuser",
    "rolcreaterole": "may create roles",
    "rolcreatedb": "may create databases",
    "rolreplication": "may start replication",
    "rolbypassrls": "may bypass row security",
}


def grant_rights(*, to: str) -> int:
    """Give a role exactly the rights of :data:`RIGHTS`, taking back all it had before; return the number of tables.

    All or nothing. Raises :class:`NotFound` for a role that is not there and :class:`Faulty` for one that could get
    round its rights: a superuser, an owner of tables, a member of another role.
    """
    with transaction.atomic(durable=True):
        _refuse_too_much(to)
        role = sql.Identifier(to)
        with connection.cursor() as cursor:
            cursor.execute("SELECT current_database()")
            database = sql.Identifier(cursor.fetchone()[0])
            for statement in (
                "REVOKE ALL ON ALL TABLES IN SCHEMA public FROM {role}",
                "REVOKE ALL ON ALL SEQUENCES IN SCHEMA public FROM {role}",
                "REVOKE ALL ON ALL FUNCTIONS IN SCHEMA public FROM {role}",
                "REVOKE ALL ON SCHEMA public FROM {role}",
                "REVOKE CREATE ON SCHEMA public FROM PUBLIC",
                "GRANT USAGE ON SCHEMA public TO {role}",
                "GRANT CONNECT, TEMPORARY ON DATABASE {database} TO {role}",
            ):
                cursor.execute(sql.SQL(statement).format(role=role, database=database))
            for table, rights in RIGHTS.items():
                cursor.execute(_grant(table, rights, role))
            for name in DRAWN_FROM:
                cursor.execute(sql.SQL("GRANT USAGE ON SEQUENCE {} TO {}").format(sql.Identifier(name), role))
            for name in FUNCTIONS:
                cursor.execute(sql.SQL("GRANT EXECUTE ON FUNCTION {} TO {}").format(sql.Identifier(name), role))
        write_event(by=None, verb="rights granted", details={"tables": len(RIGHTS)})
    return len(RIGHTS)


def _grant(table: str, rights: Rights, role: sql.Identifier) -> sql.Composed:
    """Return the GRANT of one table."""
    given: list[sql.Composable] = [sql.SQL("SELECT")]
    if rights.insert:
        given.append(sql.SQL("INSERT"))
    if rights.update == ("*",):
        given.append(sql.SQL("UPDATE"))
    elif rights.update:
        given.append(sql.SQL("UPDATE ({})").format(sql.SQL(", ").join(map(sql.Identifier, rights.update))))
    if rights.delete:
        given.append(sql.SQL("DELETE"))
    return sql.SQL("GRANT {} ON {} TO {}").format(sql.SQL(", ").join(given), sql.Identifier(table), role)


def _refuse_too_much(name: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT oid, {', '.join(_TOO_MUCH)} FROM pg_roles WHERE rolname = %s", [name])  # noqa: S608
        found = cursor.fetchone()
        if found is None:
            raise NotFound(
                f"The database has no role {name!r}. Create it first: CREATE ROLE {name} LOGIN PASSWORD '...'"
            )
        number, *marks = found
        faults = [words for words, on in zip(_TOO_MUCH.values(), marks, strict=True) if on]
        cursor.execute("SELECT count(*) FROM pg_auth_members WHERE member = %s", [number])
        if cursor.fetchone()[0]:
            faults.append("is a member of another role, whose rights it has as well")
        cursor.execute(
            "SELECT (SELECT count(*) FROM pg_class WHERE relowner = %(role)s)"
            " + (SELECT count(*) FROM pg_database WHERE datdba = %(role)s AND datname = current_database())",
            {"role": number},
        )
        if cursor.fetchone()[0]:
            faults.append("owns tables or the database, and may do everything to them")
    if faults:
        raise Faulty(
            f"The role {name!r} {'; it '.join(faults)}. The service needs a role without that. "
            "Create one by the administrator of the database; README.md says how."
        )
