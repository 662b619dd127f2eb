"""A patient erased by the page, as a program under whatever role the address names; then taken back."""

import json

import django


def main() -> None:
    from django.db import connection, transaction
    from django.test import Client

    from registry.isolation.scope import whole_house
    from registry.models import Correction, Draft, Erasure, IndexProcedure, Patient, Unit, User
    from registry.pages.rights.asked import mark_of
    from registry.pages.rights.erasing import PAGE

    with whole_house(), transaction.atomic():
        unit = Unit.objects.get(code="northmere")
        by = User.objects.get(username="administrator-northmere")
        procedures = IndexProcedure.objects.filter(unit=unit).select_related("knee__patient__identity")
        patient = next(each.knee.patient for each in procedures if hasattr(each.knee.patient, "identity"))
        number = patient.identity.opened()["hospital_number"]
        client = Client(headers={"host": "localhost"})
        client.force_login(by)
        sent = {"asked_on": "2026-01-05", "reason": "asked", "hospital_number": number}
        answer = client.post(
            "/units/northmere/erase/",
            {
                "patient": mark_of(patient, unit, by, PAGE),
                **{f"erasure-{name}": value for name, value in sent.items()},
            },
        )
        with connection.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
            cursor.execute("SELECT current_user")
            (role,) = cursor.fetchone()
        told = {
            "role": role,
            "status": answer.status_code,
            "erased": Erasure.objects.filter(patient_uuid=patient.uuid, in_hand=False).count(),
            "patients": Patient.ever.filter(pk=patient.pk).count(),
            "corrections": Correction.objects.filter(patient=patient.pk).count(),
            "drafts": Draft.objects.count(),
            "others": Patient.ever.count(),
        }
        transaction.set_rollback(True)
    print(json.dumps(told))  # noqa: T201


if __name__ == "__main__":
    django.setup()
    main()
