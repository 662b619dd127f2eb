"""Addresses of the record."""

from django.urls import path

from registry.pages.access_keys import access_keys, take_back_access_key
from registry.pages.account.page import account, change_password, end_other_sessions, end_session
from registry.pages.completeness import completeness, completeness_csv
from registry.pages.confirm import confirm
from registry.pages.correct_patient import correct_patient
from registry.pages.drafts import draft
from registry.pages.due import drifting, due
from registry.pages.due.knee import due_knee
from registry.pages.fhir import fhir
from registry.pages.find_patient import find_patient
from registry.pages.help.views import guide, help_commands, help_index
from registry.pages.history import history
from registry.pages.identity import correct_identity, identity
from registry.pages.intake.columns import intake_columns
from registry.pages.intake.intake_page import (
    cancel_intake,
    confirm_intake,
    drop_intake,
    go_on_intake,
    intake,
    intake_annotated,
    intake_rehearsal,
    undo_intake,
)
from registry.pages.intake.listing import intakes, new_intake
from registry.pages.intake.values import intake_values
from registry.pages.invited import invited
from registry.pages.keyed_entry import find_sheet, keyed_entry
from registry.pages.knee_story import knee_story
from registry.pages.lots import lots, lots_csv
from registry.pages.paper_form import paper_form, record_score
from registry.pages.patient_link import patient_link
from registry.pages.people.page import invite, people, take_back_invitation
from registry.pages.people.person import close_account, open_account, person, way_back
from registry.pages.readings import read_tear, readings, withdraw_reading
from registry.pages.record_event import correct_event, look_class, record_event
from registry.pages.record_operation import correct_operation, operation_facts, record_operation
from registry.pages.rehabilitation import rehabilitation
from registry.pages.rights.erasing import erase_patient
from registry.pages.rights.patient_file import patient_file
from registry.pages.rights.who_looked import who_looked, who_looked_csv
from registry.pages.second_factor import (
    new_recovery_codes,
    second_factor_page,
    set_up_second_factor,
    take_off_second_factor,
)
from registry.pages.session import sign_in, sign_in_code, sign_out
from registry.pages.sign import sign_operation
from registry.pages.today import today
from registry.pages.unit import unit, unit_settings, units
from registry.pages.unit_plan import unit_plan
from registry.pages.unit_surgeons import add_grade, add_surgeon, unit_surgeon, withdraw_grade
from registry.pages.verify_report import reoperation_told, verify_report
from registry.pages.withdraw import withdraw_entry

urlpatterns = [
    path("", today, name="today"),
    path("account/", account, name="account"),
    path("account/password/", change_password, name="change_password"),
    path("account/sessions/end-others/", end_other_sessions, name="end_other_sessions"),
    path("account/sessions/<uuid:session>/end/", end_session, name="end_session"),
    path("invited/<str:token>/", invited, name="invited"),
    path("access-keys/", access_keys, name="access_keys"),
    path("access-keys/<uuid:key>/take-back/", take_back_access_key, name="take_back_access_key"),
    path("completeness/", completeness, name="completeness"),
    path("completeness/<slug:breakdown>.csv", completeness_csv, name="completeness_csv"),
    path("help/", help_index, name="help"),
    path("help/commands/", help_commands, name="help_commands"),
    path("help/guides/<slug:code>/", guide, name="guide"),
    path("find/", find_patient, name="find_patient"),
    path("sign-in/", sign_in, name="sign_in"),
    path("sign-in/code/", sign_in_code, name="sign_in_code"),
    path("confirm/", confirm, name="confirm"),
    path("account/second-factor/", second_factor_page, name="second_factor"),
    path("account/second-factor/set-up/", set_up_second_factor, name="set_up_second_factor"),
    path("account/second-factor/recovery-codes/", new_recovery_codes, name="new_recovery_codes"),
    path("account/second-factor/take-off/", take_off_second_factor, name="take_off_second_factor"),
    path("sign-out/", sign_out, name="sign_out"),
    path("knees/<uuid:knee>/", knee_story, name="knee_story"),
    path("knees/<uuid:knee>/fhir/", fhir, name="knee_fhir"),
    path("operations/new/", record_operation, name="record_operation"),
    path("operations/facts/", operation_facts, name="operation_facts"),
    path("knees/<uuid:knee>/identity/", identity, name="identity"),
    path("knees/<uuid:knee>/identity/correct/", correct_identity, name="correct_identity"),
    path("units/", units, name="units"),
    path("units/<slug:unit>/", unit, name="unit"),
    path("units/<slug:unit>/settings/", unit_settings, name="unit_settings"),
    path("units/<slug:unit>/plan/", unit_plan, name="unit_plan"),
    path("units/<slug:unit>/who-looked/", who_looked, name="who_looked"),
    path("units/<slug:unit>/who-looked/csv/", who_looked_csv, name="who_looked_csv"),
    path("units/<slug:unit>/erase/", erase_patient, name="erase"),
    path("knees/<uuid:knee>/patient-file/", patient_file, name="patient_file"),
    path("units/<slug:unit>/people/", people, name="people"),
    path("units/<slug:unit>/people/invite/", invite, name="invite"),
    path(
        "units/<slug:unit>/people/invitations/<uuid:invitation>/take-back/",
        take_back_invitation,
        name="take_back_invitation",
    ),
    path("units/<slug:unit>/people/<int:person>/", person, name="person"),
    path("units/<slug:unit>/people/<int:person>/way-back/", way_back, name="way_back"),
    path("units/<slug:unit>/people/<int:person>/close/", close_account, name="close_account"),
    path("units/<slug:unit>/people/<int:person>/open/", open_account, name="open_account"),
    path("units/<slug:unit>/surgeons/", add_surgeon, name="add_surgeon"),
    path("units/<slug:unit>/surgeons/<slug:surgeon>/", unit_surgeon, name="unit_surgeon"),
    path("units/<slug:unit>/surgeons/<slug:surgeon>/grades/", add_grade, name="add_grade"),
    path(
        "units/<slug:unit>/surgeons/<slug:surgeon>/grades/<int:grade>/", withdraw_grade, name="withdraw_grade"
    ),
    path("r/<str:token>/", patient_link, name="patient_link"),
    path("lots/", lots, name="lots"),
    path("lots/csv/", lots_csv, name="lots_csv"),
    path("readings/", readings, name="readings"),
    path("readings/<uuid:tear>/", read_tear, name="read_tear"),
    path("readings/<uuid:tear>/withdraw/", withdraw_reading, name="withdraw_reading"),
    path("knees/<uuid:knee>/operation/", record_operation, name="record_next_operation"),
    path(
        "knees/<uuid:knee>/operations/<uuid:operation>/correct/", correct_operation, name="correct_operation"
    ),
    path("sheets/", find_sheet, name="find_sheet"),
    path("knees/<uuid:knee>/keyed/", keyed_entry, name="keyed_entry"),
    path("knees/<uuid:knee>/paper/", paper_form, name="paper_form"),
    path("knees/<uuid:knee>/record/score/", record_score, name="record_score"),
    path("knees/<uuid:knee>/record/<slug:kind>/", record_event, name="record_event"),
    path("knees/<uuid:knee>/record/<slug:kind>/<uuid:event>/", correct_event, name="correct_event"),
    path("knees/<uuid:knee>/look-class/", look_class, name="look_class"),
    path("knees/<uuid:knee>/patient/", correct_patient, name="correct_patient"),
    path("knees/<uuid:knee>/withdraw/<slug:kind>/<uuid:entry>/", withdraw_entry, name="withdraw"),
    path("knees/<uuid:knee>/history/", history, name="history"),
    path("knees/<uuid:knee>/reports/<uuid:report>/", verify_report, name="verify_report"),
    path("knees/<uuid:knee>/reports/<uuid:report>/reoperation/", reoperation_told, name="reoperation_told"),
    path("knees/<uuid:knee>/due/", due_knee, name="due_knee"),
    path("knees/<uuid:knee>/operations/<uuid:operation>/sign/", sign_operation, name="sign_operation"),
    path(
        "knees/<uuid:knee>/operations/<uuid:operation>/rehabilitation/", rehabilitation, name="rehabilitation"
    ),
    path("intake/", intakes, name="intakes"),
    path("intake/new/", new_intake, name="new_intake"),
    path("intake/<uuid:intake>/", intake, name="intake"),
    path("intake/<uuid:intake>/columns/", intake_columns, name="intake_columns"),
    path("intake/<uuid:intake>/values/", intake_values, name="intake_values"),
    path("intake/<uuid:intake>/rehearsal/", intake_rehearsal, name="intake_rehearsal"),
    path("intake/<uuid:intake>/problems/", intake_annotated, name="intake_annotated"),
    path("intake/<uuid:intake>/take-in/", confirm_intake, name="confirm_intake"),
    path("intake/<uuid:intake>/cancel/", cancel_intake, name="cancel_intake"),
    path("intake/<uuid:intake>/go-on/", go_on_intake, name="go_on_intake"),
    path("intake/<uuid:intake>/drop/", drop_intake, name="drop_intake"),
    path("intake/<uuid:intake>/undo/", undo_intake, name="undo_intake"),
    path("drafts/", draft, name="draft"),
    path("due/", due, name="due"),
    path("due/drifting/", drifting, name="drifting"),
]
