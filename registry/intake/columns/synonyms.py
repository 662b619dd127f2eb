"""Names that people give to columns, in English, German, Spanish and French. Common practice, no source.

Compared `worded`: small, without accents and hyphens, digits apart; a comma parts them. A field's own name
and label need no entry.
"""

# Words for a part: as a heading over several columns, in front of a column's name, or of a sheet.
PART_WORDS: dict[str, str] = {
    "patient": "patient, patients, patienten, paciente, pacientes, demographics, stammdaten",
    "operation": (
        "operation, operations, operationen, surgery, surgeries, procedure, procedures, op, index "
        "operation, index surgery, index procedure, cirugia, cirugias, intervention, eingriff"
    ),
    "tear": (
        "tear, tears, lesion, lesions, riss, risse, lasion, lasionen, rotura, roturas, dechirure, meniscal "
        "tear, meniscus tear, meniskusriss, t"
    ),
    "repair": "repair, repairs, naht, nahte, refixation, sutura, reparacion, suture, reparation",
    "passes": "passes, sutures, stitches, nahte, puntos, points",
    "rehabilitation": "rehabilitation, rehab, nachbehandlung, rehabilitacion, reeducation",
    "visit": (
        "visit, visits, follow up, followup, fu, f u, clinic, nachkontrolle, kontrolle, nachuntersuchung, "
        "kontrollen, verlauf, revisiones, visita, suivi, consultation"
    ),
    "look": "look, looks, second look, relook, re look, second arthroscopy",
    "reoperation": (
        "reoperation, reoperations, re operation, reop, re op, revision surgery, revisionseingriff, "
        "revisions op, reintervencion, reintervention, zweiteingriff"
    ),
    "imaging": "imaging, mri, mrt, bildgebung, resonancia, irm, follow up mri, control mri",
    "complication": (
        "complication, complications, komplikation, komplikationen, complicacion, complicaciones"
    ),
    "contact": "contact, contacts, kontakt, kontakte, contacto, phone call",
    "end": "end of follow up, end, lost to follow up, ende, fin",
    "score": "score, scores, prom, proms, questionnaire, fragebogen, cuestionario",
}
# Names that tell the target (its key without a number) wherever they stand.
PLAIN_NAMES: dict[str, str] = {
    "patient.hospital_number": (
        "hospital number, hospital no, hospital nr, hosp no, mrn, medical record number, record number, "
        "patient number, patient no, patient nr, patient id, pat id, pat nr, pid, patientennummer, "
        "patienten nr, patienten id, fallnummer, fall nr, hospital id, id patient, nhc, historia clinica, "
        "numero de historia, n historia, no historia, no dossier, numero de dossier, ipp, chart number, "
        "chart no, unit number"
    ),
    "patient.given_names": "first name, firstname, forename, given name, vorname, nombre, prenom",
    "patient.family_name": (
        "surname, last name, lastname, family name, nachname, familienname, apellido, apellidos, nom, nom "
        "de famille"
    ),
    "patient.email": "email, e mail, email address, mail, correo, courriel",
    "patient.phone": "phone, telephone, phone number, tel, telefon, mobile, handy, telefono, movil",
    "patient.sex": "sex, gender, geschlecht, geschl, sexo, genero, sexe, m f, m w, f m",
    "patient.born_on": (
        "date of birth, dob, birth date, birthdate, birthday, born, geb, geburtsdatum, geb datum, gebdat, "
        "geb dat, geboren, fecha de nacimiento, f nacimiento, fecha nac, nacimiento, date de naissance, "
        "ddn, naissance, ne le"
    ),
    "patient.born_year": (
        "year of birth, birth year, yob, geburtsjahr, jahrgang, ano de nacimiento, annee de naissance"
    ),
    "patient.died_on": (
        "date of death, death date, died, died on, deceased, dod, verstorben, verstorben am, todesdatum, "
        "fecha de muerte, fecha exitus, date de deces"
    ),
    "patient.research_permission": (
        "research permission, consent, research consent, einwilligung, consentimiento, consentement"
    ),
    "patient.research_permission_on": (
        "consent date, date of consent, einwilligung am, fecha de consentimiento"
    ),
    "knee.side": (
        "side, seite, lado, lateralidad, cote, lateralite, laterality, knee, knee side, op side, op seite, "
        "r l, l r, re li, li re, side r l, seite re li, rechts links"
    ),
    "operation.operated_on": (
        "date of operation, operation date, op date, date of surgery, surgery date, dos, op datum, opdatum, "
        "op tag, operationsdatum, datum op, datum der op, op am, date op, operated on, procedure date, date "
        "of procedure, fecha de cirugia, fecha cirugia, fecha iq, fecha de intervencion, fecha op, date "
        "operation, date de l operation, date d intervention, date intervention, date chirurgie"
    ),
    "operation.lead_surgeon": (
        "surgeon, lead surgeon, operating surgeon, consultant, operateur, operator, chirurg, cirujano, "
        "cirujano principal, chirurgien, 1 operateur"
    ),
    "operation.first_assistant": (
        "assistant, first assistant, 1 assistant, assistent, 1 assistent, assistenz, ayudante, primer "
        "ayudante, aide, aide operatoire"
    ),
    "operation.repaired_by": "repaired by, repair by, naht durch",
    "operation.injured_on": (
        "date of injury, injury date, injured on, doi, unfalldatum, unfall am, datum unfall, "
        "verletzungsdatum, traumadatum, fecha de lesion, fecha lesion, fecha del accidente, date de l "
        "accident, date accident, date du traumatisme"
    ),
    "operation.injured_days_before": (
        "days from injury to surgery, days since injury, injury to surgery days, time from injury days, "
        "tage seit unfall, tage unfall bis op, dias desde lesion, delai accident operation"
    ),
    "operation.injury_cause": "cause of injury, injury cause, mechanism, unfallursache, causa, mecanisme",
    "operation.bmi": "bmi, body mass index, imc",
    "operation.smoking": (
        "smoking, smoker, smoking status, raucher, rauchen, nikotin, tabaco, fumador, tabac, fumeur"
    ),
    "operation.asa": "asa, asa class, asa grade, asa score, asa klasse",
    "operation.preinjury_tegner": (
        "preinjury tegner, pre injury tegner, tegner pre injury, tegner before injury, tegner preinjury, "
        "tegner vor unfall, tegner prelesional"
    ),
    "operation.anaesthetic": (
        "anaesthetic, anesthetic, anaesthesia, anesthesia, anasthesie, narkose, anestesia, anesthesie"
    ),
    "operation.tourniquet_min": "tourniquet, tourniquet time, blutsperre, blutsperrezeit, isquemia, garrot",
    "operation.hka_deg": "hka, hka angle, hip knee ankle angle, mechanical axis, beinachse, angulo hka",
    "operation.acl": "acl, acl status, acl reconstruction, aclr, vkb, lca",
    "operation.pcl": "pcl, pcl status, hkb, lcp",
    "operation.mcl": "mcl, mcl status",
    "operation.lcl": "lcl, lcl status",
    "operation.graft": "graft, graft type, transplantat, injerto, plastia tipo, greffe, greffon",
    "tear.meniscus": "meniscus, meniskus, menisco, menisque, medial lateral, med lat, meniscus med lat",
    "tear.place": (
        "tear location, location, lokalisation, localizacion, localisation, site of tear, tear site, "
        "meniscus and horn, horn, tear place, place, meniscus, meniskus, menisco, menisque"
    ),
    "tear.pattern": (
        "pattern, tear pattern, tear type, type of tear, rissform, risstyp, rissart, patron, tipo de "
        "rotura, tipo rotura, type de lesion, type de dechirure, morphology, tipo de lesion, forma"
    ),
    "tear.depth": "depth, tear depth, tiefe, profundidad, profondeur",
    "tear.radial_location": (
        "radial location, third, location, lokalisation, horn, drittel, tercio, tiers, segment"
    ),
    "tear.length_mm": (
        "length, tear length, lange, laenge, risslange, longitud, longueur, tear size, size, grosse, "
        "tamano, taille"
    ),
    "tear.rim_zone": (
        "rim zone, rim width zone, cooper zone, zone cooper, zona cooper, circumferential zone, zone, zona"
    ),
    "tear.rim_width_mm": "rim width, rim, randbreite, rim width measured",
    "tear.vascular_zone": (
        "vascular zone, zone, durchblutungszone, zona, zona vascular, vascularity, zone vasculaire, rr rw ww"
    ),
    "tear.tissue": "tissue, tissue quality, gewebe, gewebequalitat, tejido, tissu, qualite tissulaire",
    "tear.displaced": "displaced, displacement, disloziert, desplazado, desplazada, luxe",
    "tear.unstable": "unstable, unstable on probing, instabil, inestable, instable",
    "tear.root_type": "root type, root tear type, wurzeltyp, tipo raiz",
    "tear.ramp_type": "ramp type, rampentyp, tipo rampa",
    "tear.treatment": (
        "treatment, treatment of tear, what was done, behandlung, therapie, tratamiento, traitement"
    ),
    "repair.techniques": (
        "technique, techniques, repair technique, technik, nahttechnik, op technik, tecnica, tecnica de "
        "sutura, technique de suture"
    ),
    "repair.augmentation": "augmentation, biologics, biologic augmentation, aumentacion",
    "repair.tunnels": "tunnels, number of tunnels, tunnel, tuneles",
    "repair.stable_at_end": "stable at end, stable at the end, stabil am ende",
    "passes.number": (
        "number of sutures, no of sutures, n sutures, sutures, suture count, anzahl nahte, nahte anzahl, "
        "numero de suturas, suturas, nombre de sutures, number of stitches, stitches, implants used"
    ),
    "passes.suture_size": "suture size, suture thickness, fadenstarke, usp",
    "visit.seen_on": (
        "visit date, date of visit, follow up date, followup date, fu date, date of follow up, seen on, "
        "untersuchungsdatum, kontrolldatum, datum kontrolle, datum nk, fecha de revision, fecha revision, "
        "fecha de visita, date de consultation, date consultation, date de suivi"
    ),
    "visit.time_point": "time point, timepoint, follow up interval, zeitpunkt, visit number, momento",
    "visit.effusion": "effusion, swelling, erguss, derrame, epanchement",
    "visit.joint_line_tenderness": (
        "joint line tenderness, jlt, joint line pain, druckschmerz, gelenkspaltschmerz, dolor interlinea, "
        "douleur interligne"
    ),
    "visit.mcmurray": "mcmurray, mc murray, mcmurray test, mcmurray sign",
    "visit.flexion_deg": "flexion, rom flexion, flex",
    "visit.extension_deg": "extension deficit, streckdefizit, deficit de extension, flessum, flexum",
    "visit.lachman": "lachman, lachman grade, lachman test",
    "visit.pivot": "pivot, pivot shift, pivot shift grade",
    "visit.sport_return": (
        "return to sport, rts, returned to sport, sportruckkehr, vuelta al deporte, retour au sport"
    ),
    "visit.employed_as_before": "employed as before, return to work, arbeitsfahig wie vorher",
    "look.looked_on": "second look date, date of second look, look date, relook date, datum second look",
    "look.reason": "reason for second look, second look reason",
    "reoperation.operated_on": (
        "reoperation date, date of reoperation, reop date, revision date, datum re op, re op datum, fecha "
        "reintervencion, date de reintervention, date reoperation"
    ),
    "imaging.imaged_on": (
        "mri date, date of mri, imaging date, mrt datum, datum mrt, fecha rm, fecha rmn, date irm"
    ),
    "imaging.modality": "modality, modalitat, modalidad, modalite",
    "imaging.extrusion_mm": "extrusion, extrusion mm",
    "complication.noticed_on": "complication date, date of complication, datum komplikation",
    "complication.kind": "complication, complications, komplikation, complicacion",
    "complication.severity": "clavien dindo, clavien, dindo, clavien dindo grade",
    "contact.contacted_on": (
        "contact date, date of contact, last contact, letzter kontakt, kontaktdatum, fecha de contacto, "
        "ultimo contacto, date de contact"
    ),
    "contact.source": "contact source, contact type, source of contact",
    "end.ended_on": "end date, end of follow up date, date of end of follow up, lost on",
    "score.answered_on": (
        "score date, date of score, questionnaire date, date answered, answered on, prom date, fragebogen "
        "datum, datum score, fecha cuestionario"
    ),
}
# Of a date alone, together with a word for its part.
_DATE_ALONE = "date, datum, fecha, day, tag, dia, am, on"
_DATES = (
    "operation.operated_on",
    "visit.seen_on",
    "look.looked_on",
    "reoperation.operated_on",
    "imaging.imaged_on",
    "complication.noticed_on",
    "contact.contacted_on",
    "end.ended_on",
    "score.answered_on",
)
# Names that tell the target only together with a word for its part.
NAMES_WITHIN: dict[str, str] = {
    **dict.fromkeys(_DATES, _DATE_ALONE),
    "patient.hospital_number": "number, no, nr, id, nummer, numero",
    "operation.injury_cause": "cause",
    "tear.pattern": "type, typ, tipo, form",
    "tear.meniscus": "side, seite, lado, cote, compartment, kompartiment",
    "tear.radial_location": "horn, third, location",
    "tear.place": "site",
    "passes.number": "number, no, nr, anzahl, n, numero, nombre, count",
    "look.reason": "reason, grund, motivo, raison",
    "look.action": "action, procedure",
    "reoperation.action": "action, procedure, type, what, was, treatment, art",
    "imaging.healed": "healed, healing, result",
    "complication.kind": "type, kind, art, tipo",
    "complication.severity": "grade, severity, schwere",
    "contact.source": "source, how, type, quelle",
    "end.reason": "reason, grund, motivo, raison",
    "visit.extension_deg": "extension",
}
# How forms are called beside their codes and names.
INSTRUMENT_WORDS: dict[str, str] = {
    "koos": "koos",
    "koos12": "koos 12",
    "ikdc": "ikdc, ikdc subjective",
    "pedi_ikdc": "pedi ikdc",
    "lysholm": "lysholm",
    "tegner": "tegner, tegner score, tegner level, tegner activity",
    "womet": "womet",
    "marx": "marx",
    "sane": "sane",
    "pain_nrs": "nrs, nrs pain, pain nrs",
    "pain_vas": "vas mm, pain vas mm, vas 0 100, vas pain mm",
    "acl_rsi": "acl rsi",
    "eq5d5l": "eq 5 d 5 l, eq 5 d",
}
# What stands behind a form's name where a column holds its total.
TOTAL_WORDS = ("total", "score", "sum", "gesamt", "summe", "points", "punkte", "total score", "sum score")
ORDINALS = {"first": "1", "second": "2", "third": "3", "1 st": "1", "2 nd": "2", "3 rd": "3"}
