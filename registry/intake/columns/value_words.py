"""Words that people give to values, in English, German, Spanish and French. Common practice, no source.

A code's own name and label need no entry. Words are compared `folded`: small, without accents and hyphens.
"""

from collections.abc import Mapping
from typing import Any

from django.db.models import Choices

from registry.intake.columns.words import folded
from registry.vocabulary import (
    Anaesthetic,
    Answer,
    Augmentation,
    ComplicationKind,
    ContactSource,
    DatePrecision,
    Depth,
    Effusion,
    EndReason,
    FoundBy,
    Graft,
    HealingClass,
    ImagingModality,
    InjuryCause,
    LigamentState,
    LookReason,
    Meniscus,
    OtherSurgery,
    PassConfiguration,
    PassSurface,
    Pattern,
    RadialLocation,
    ReoperationAction,
    ResearchPermission,
    RimZone,
    Severity,
    Sex,
    Side,
    SignalToSurface,
    Smoking,
    SportReturn,
    Staging,
    Technique,
    TibialFixation,
    TimePoint,
    Tissue,
    Treatment,
    VascularZone,
)

# Yes and no; compared as typed, so that signs count.
YES = frozenset(
    {"yes", "y", "ja", "j", "si", "sí", "s", "oui", "x", "1", "true", "wahr", "verdadero", "vrai"}
) | {"pos", "positive", "positiv", "positivo", "+", "✓", "present", "vorhanden"}
NO = frozenset(
    {"no", "n", "nein", "non", "0", "false", "falsch", "falso", "faux", "none", "keine", "kein"}
) | {"neg", "negative", "negativ", "negativo", "absent"}
# Nothing is known: the cell counts as empty. Compared as typed, blind to case, spacing and a last full stop.
NOT_KNOWN = frozenset(
    {
        *("-", "--", "---", "\N{EN DASH}", "\N{EM DASH}", "?", "??", "???", "/", "//", "", "*"),
        *("n/a", "na", "n.a", "#n/a", "n/k", "nk", "nd", "n.d", "n/d", "unknown", "unk", "unkn", "not known"),
        *("not recorded", "not documented", "not available", "missing", "none recorded", "null", "nil"),
        *("unbekannt", "unbek", "k.a", "k. a", "ka", "keine angabe", "keine angaben", "nicht bekannt"),
        *("nicht dokumentiert", "fehlt", "desconocido", "desc", "no consta", "sin datos", "s/d", "sd"),
        *("inconnu", "inconnue", "non renseigne", "non renseigné", "nr", "nc", "n.c"),
    }
)
# Beside these two, "m" is the Spanish "mujer".
MALE_ONLY_IN_SPANISH = frozenset({"h", "v"})

_LIGAMENT = {
    LigamentState.INTACT: "intakt, intacto, intacta, ok, normal, stable, stabil, unauffallig",
    LigamentState.TREATED_HERE: "reconstruction, recon, acl recon, aclr, vkb plastik, vkb ersatz, plastik, "
    "kreuzbandplastik, ersatzplastik, reconstruccion, plastia, ligamentoplastie, same operation, "
    "in dieser op",
    LigamentState.STAGED: "planned, later, second stage, zweizeitig, geplant, diferida, torn staged",
    LigamentState.LEFT: "torn untreated, conservative, konservativ, not treated, belassen, conservador",
    LigamentState.RECONSTRUCTED_BEFORE: "previous reconstruction, prior reconstruction, before, status post, "
    "z n plastik, zustand nach plastik, previa, reconstruccion previa, deja opere",
}
_TIMES = {
    TimePoint.WEEK_6: "6 w, 6 wk, 6 wks, 6 week, 6 wochen, 6 wo, 6 semanas, 6 semaines, 6wk, 6wks",
    TimePoint.MONTH_3: "3 m, 3 mo, 3 mon, 3 month, 3 monate, 3 mths, 3 meses, 3 mois, 3mo",
    TimePoint.MONTH_6: "6 m, 6 mo, 6 mon, 6 month, 6 monate, 6 mths, 6 meses, 6 mois, 6mo",
    TimePoint.YEAR_1: "12 m, 12 mo, 12 mon, 12 month, 12 monate, 12 mths, 12 meses, 12 mois, 12mo, 1 y, "
    "1 yr, "
    "1y, 1yr, 1 year, 1 jahr, 1 j, 1 ano, 1 an",
    TimePoint.YEAR_2: "24 m, 24 mo, 24 mon, 24 month, 24 monate, 24 mths, 24 meses, 24 mois, 24mo, 2 y, "
    "2 yr, "
    "2y, 2yr, 2 years, 2 yrs, 2 jahre, 2 j, 2 anos, 2 ans",
    TimePoint.YEAR_5: "60 m, 60 mo, 60 monate, 60 meses, 60 mois, 5 y, 5 yr, 5y, 5yr, 5 years, 5 yrs, "
    "5 jahre, "
    "5 j, 5 anos, 5 ans",
    TimePoint.YEAR_10: "120 m, 120 monate, 10 y, 10 yr, 10y, 10yr, 10 years, 10 yrs, "
    "10 jahre, 10 j, 10 anos, 10 ans",
    TimePoint.UNPLANNED: "extra, additional, ausserplanmassig, ungeplant, no programada, non prevue",
}
# Words by list and code; a comma parts them.
_SAID: dict[type[Choices], Mapping[Any, str]] = {
    Sex: {
        Sex.FEMALE: "f, w, fem, weibl, weiblich, frau, woman, mujer, femenino, femme, feminin",
        Sex.MALE: "m, h, v, masc, mannl, mannlich, mann, man, hombre, varon, masculino, homme, masculin",
        Sex.OTHER: "d, divers, diverse, nonbinary, non binary, otro, autre",
    },
    Side: {
        Side.LEFT: "l, li, lks, lt, links, linkes, linke, linkes knie, left knee, i, izq, izquierda, "
        "izquierdo, iz, "
        "g, gauche",
        Side.RIGHT: "r, re, rt, rts, rechts, rechtes, rechte, rechtes knie, right knee, d, der, dcha, dch, "
        "derecha, derecho, droite, droit",
    },
    ResearchPermission: {
        ResearchPermission.GIVEN: "yes, ja, si, oui, consent, consented, consent given, einverstanden, "
        "aceptado",
        ResearchPermission.REFUSED: "declined, abgelehnt, rechazado, refuse",
        ResearchPermission.WITHDRAWN: "zuruckgezogen, widerrufen, retirado, retire",
        ResearchPermission.NOT_ASKED: "nicht gefragt, no preguntado",
    },
    DatePrecision: {
        DatePrecision.DAY: "day, exact, tag, genau, dia, jour",
        DatePrecision.MONTH: "month, monat, mes, mois",
        DatePrecision.UNKNOWN: "unbekannt, desconocido, inconnu",
    },
    InjuryCause: {
        InjuryCause.PIVOTING_SPORT: "football, soccer, fussball, futbol, handball, basketball, skiing, ski, "
        "rugby, pivot sport, balonmano, baloncesto, esqui",
        InjuryCause.OTHER_SPORT: "sport other, running, laufen, cycling",
        InjuryCause.DAILY_LIVING: "daily life, adl, alltag, vida diaria, vie quotidienne",
        InjuryCause.TRAFFIC: "road, road traffic, rta, verkehr, verkehrsunfall, trafico, "
        "accident de la route",
        InjuryCause.WORK: "work accident, arbeit, arbeitsunfall, laboral, trabajo, travail",
        InjuryCause.NONE_RECALLED: "no injury, no trauma, atraumatic, kein trauma, kein unfall, sin trauma",
    },
    Smoking: {
        Smoking.NEVER: "never smoked, nie, nunca, jamais",
        Smoking.FORMER: "ex smoker, ex, stopped, exraucher, ex raucher, ehemalig, exfumador, ancien fumeur",
        Smoking.CURRENT: "smoker, yes, ja, raucher, aktiv, fumador, fumeur, active",
    },
    Anaesthetic: {
        Anaesthetic.GENERAL: "ga, itn, vollnarkose, allgemein, lma, larynxmaske, anestesia general, ag",
        Anaesthetic.SPINAL: "spa, spinalanasthesie, raquidea, rachi, rachianesthesie",
        Anaesthetic.REGIONAL: "block, ra, regionalanasthesie, bloqueo, bloc",
        Anaesthetic.LOCAL: "la, lokal, lokalanasthesie",
    },
    Answer: {
        Answer.YES: "y, j, ja, si, oui, x, 1, true",
        Answer.NO: "n, nein, non, 0, false",
        Answer.NOT_ASSESSED: "na, n a, not done, nicht beurteilt, no valorado, non evalue",
    },
    LigamentState: _LIGAMENT,
    Graft: {
        Graft.HAMSTRING: "hs, st, stg, st g, semitendinosus, gracilis, hamstrings, semi t, isquiotibiales, "
        "dt4, didt",
        Graft.PATELLAR: "btb, bptb, pt, patellarsehne, patella tendon, hth, rotuliano, kj",
        Graft.QUADRICEPS: "qt, quad, quads, quadrizeps, quadrizepssehne, cuadriceps",
        Graft.PERONEUS: "peroneus, peroneo",
        Graft.ALLOGRAFT: "allo, allogen, aloinjerto, allogreffe",
    },
    Staging: {
        Staging.SINGLE: "one stage, einzeitig, un tiempo",
        Staging.REPAIR_FIRST: "meniscus first, meniskus zuerst",
    },
    Meniscus: {
        Meniscus.MEDIAL: "m, med, mm, medial meniscus, im, innenmeniskus, innen, mediaal, menisco interno, "
        "interno, mi, interne, menisque interne, menisco medial",
        Meniscus.LATERAL: "l, lat, lm, lateral meniscus, aussenmeniskus, aussen, menisco externo, "
        "externo, me, "
        "externe, menisque externe, menisco lateral",
    },
    Pattern: {
        Pattern.LONGITUDINAL: "longitudinal vertical, vertical longitudinal, vertical, long, langsriss, "
        "langs, vertikal, longitudinale",
        Pattern.BUCKET_HANDLE: "bucket, bh, bht, bucket handle tear, korbhenkel, korbhenkelriss, khr, "
        "asa de cubo, asa de balde, anse de seau",
        Pattern.HORIZONTAL: "horiz, cleavage, horizontal cleavage, horizontalriss, horizontale",
        Pattern.RADIAL: "rad, radialriss, radiar, radiaire, transverse, radiale",
        Pattern.VERTICAL_FLAP: "oblique, parrot beak, schragriss, papageienschnabel, pico de loro, "
        "bec de perroquet",
        Pattern.COMPLEX: "komplex, komplexriss, complejo, compleja, complexe, degenerative complex",
        Pattern.ROOT: "root tear, root avulsion, wurzel, wurzelriss, raiz, racine, pmrt, mmprt, lmprt",
        Pattern.RAMP: "ramp lesion, rampe, rampenlasion, rampa, lesion de rampa",
    },
    Depth: {
        Depth.PARTIAL: "part, partiell, incomplete, inkomplett, parcial, partiel",
        Depth.COMPLETE: "full, full thickness, comp, komplett, vollstandig, completo, completa, complet",
    },
    RadialLocation: {
        RadialLocation.ANTERIOR: "ah, ant, anterior horn, front, vorderhorn, vh, cuerno anterior, "
        "corne anterieure",
        RadialLocation.MIDDLE: "mid, body, pars intermedia, mid body, corpus, cuerpo, corps, middle",
        RadialLocation.POSTERIOR: "ph, post, post horn, posterior horn, back, hinterhorn, hh, "
        "cuerno posterior, corne posterieure",
        RadialLocation.ROOT: "posterior root, wurzel, hinterhornwurzel, raiz, racine",
    },
    RimZone: {
        RimZone.ZONE_1: "zone 1, i, z1",
        RimZone.ZONE_2: "zone 2, ii, z2",
        RimZone.ZONE_3: "zone 3, iii, z3",
    },
    VascularZone: {
        VascularZone.RR: "red, red zone, r r, rot rot, rot, rojo rojo, roja roja, rouge rouge",
        VascularZone.RW: "r w, rot weiss, rw, rojo blanco, roja blanca, rouge blanc, red white zone",
        VascularZone.WW: "white, white zone, w w, weiss weiss, blanco blanco, blanca blanca, blanc blanc",
    },
    Tissue: {
        Tissue.GOOD: "normal, gut, bueno, buena, bon, bonne",
        Tissue.FRAYED: "ausgefranst, aufgefasert, deshilachado, effiloche",
        Tissue.DEGENERATE: "degenerative, degen, degenerated, degenerativ, degeneriert, degenerado, "
        "degeneratif",
    },
    Treatment: {
        Treatment.REPAIRED: "repair, suture, sutured, naht, genaht, refixation, sutura, suturado, reparado, "
        "repare",
        Treatment.PART_REPAIRED: "partial repair, repair and resection, naht und teilresektion",
        Treatment.REMOVED: "resection, resected, meniscectomy, partial meniscectomy, pm, teilresektion, "
        "reseziert, meniscectomia, meniscectomie",
        Treatment.LEFT: "left in situ, untreated, belassen, no tratado, abstention",
    },
    Technique: {
        Technique.ALL_INSIDE: "ai, a i, allinside, todo dentro, tout en dedans, tout dedans",
        Technique.INSIDE_OUT: "io, i o, insideout, dentro fuera, dentro afuera, dedans dehors",
        Technique.OUTSIDE_IN: "oi, o i, outsidein, fuera dentro, afuera adentro, dehors dedans",
        Technique.PULL_OUT: "pullout, transtibial, tt pull out, transossar, transtibiale refixation",
        Technique.SUTURE_ANCHOR: "anchor, anker, fadenanker, anclaje, ancre",
        Technique.SUTURE_HOOK: "hook, suture lasso, pm portal hook, posteromedial hook, haken, gancho, "
        "crochet",
    },
    Augmentation: {
        Augmentation.NONE: "no, nein, keine, 0, ninguna, no augmentation, aucune",
        Augmentation.PRP: "acp, plasma, plaquetas",
        Augmentation.FIBRIN_CLOT: "clot, coagulo, caillot",
        Augmentation.MARROW_VENTING: "microfracture, venting, notch microfracture, mikrofrakturierung, "
        "microfractura, microfracturas",
    },
    TibialFixation: {
        TibialFixation.BUTTON: "cortical button, knopf, boton, bouton",
        TibialFixation.ANCHOR: "anker, ancla, ancre",
        TibialFixation.SCREW_POST: "screw, post, schraube, tornillo, vis",
        TibialFixation.BONE_BRIDGE: "bridge, knochenbrucke, puente oseo, pont osseux",
    },
    PassConfiguration: {
        PassConfiguration.VERTICAL: "vert, vertikal",
        PassConfiguration.HORIZONTAL: "horiz",
        PassConfiguration.OBLIQUE: "schrag, oblicuo",
    },
    PassSurface: {
        PassSurface.UPPER: "femoral, superior, top, oben",
        PassSurface.LOWER: "tibial, inferior, bottom, unten",
    },
    TimePoint: _TIMES,
    Effusion: {
        Effusion.NONE: "no, nein, kein, keine, keiner, 0, negative, ninguno, no hay, aucun",
        Effusion.SLIGHT: "mild, small, trace, gering, leicht, leve, leger, minimal",
        Effusion.MARKED: "large, severe, moderate to severe, stark, deutlich, marcado, important",
    },
    SportReturn: {
        SportReturn.NO: "none, nein, non",
        SportReturn.LOWER: "reduced, niedriger, geringer, menor, inferieur",
        SportReturn.SAME: "full, gleich, same, mismo, meme niveau, identique",
        SportReturn.HIGHER: "better, hoher, mayor, superieur",
    },
    ImagingModality: {
        ImagingModality.MRI: "mr, mrt, kernspin, rm, rmn, irm, resonancia",
        ImagingModality.MR_ARTHROGRAM: "mra, mr arthrography, arthro mr, arthro mrt, artro rm, arthro irm",
        ImagingModality.CT_ARTHROGRAM: "cta, ct arthrography, arthro ct, artro tc, arthroscanner",
    },
    SignalToSurface: {
        SignalToSurface.NONE: "no, 0",
        SignalToSurface.ONE: "1",
        SignalToSurface.BOTH: "2, two",
    },
    HealingClass: {
        HealingClass.HEALED: "complete, yes, full, ja, geheilt, verheilt, ausgeheilt, curado, gueri, "
        "cicatrise",
        HealingClass.PARTLY: "partial, incomplete, partly, teilweise, teilgeheilt, parcial, partiel",
        HealingClass.FAILED: "no, not healed, unhealed, failure, nein, nicht geheilt, no curado, echec",
    },
    LookReason: {
        LookReason.STAGED: "second stage, acl reconstruction, zweiteingriff, segundo tiempo",
        LookReason.SYMPTOMS: "pain, symptomatic, beschwerden, schmerzen, sintomas, dolor, symptomes, douleur",
        LookReason.PROTOCOL: "study, research, studie, estudio, etude",
    },
    ReoperationAction: {
        ReoperationAction.NONE: "no, nein, keine, ninguna, nothing",
        ReoperationAction.RE_REPAIR: "rerepair, repair, re suture, re naht, renaht, resutura, resuture",
        ReoperationAction.PARTIAL_REMOVAL: "partial meniscectomy, pm, meniscectomy partial, teilresektion, "
        "teilmeniskektomie, meniscectomia parcial, meniscectomie partielle",
        ReoperationAction.TOTAL_REMOVAL: "total meniscectomy, subtotal meniscectomy, totale meniskektomie, "
        "meniscectomia total, meniscectomie totale",
        ReoperationAction.TRANSPLANT: "mat, transplantation, trasplante, greffe",
        ReoperationAction.ROOT_REFIXATION: "root repair, wurzelrefixation",
    },
    OtherSurgery: {
        OtherSurgery.NONE: "no, nein, keine, ninguna",
        OtherSurgery.LIGAMENT: "acl, aclr, acl reconstruction, vkb, kreuzband, lca",
        OtherSurgery.WASHOUT: "washout, lavage, spulung, lavado",
        OtherSurgery.MANIPULATION: "mua, mobilisation, narkosemobilisation, movilizacion",
        OtherSurgery.HARDWARE: "removal of hardware, metal removal, metallentfernung, me, "
        "retirada de material",
        OtherSurgery.OSTEOTOMY: "hto, umstellung, osteotomia",
        OtherSurgery.PARTIAL_REPLACEMENT: "uka, ukr, unicompartmental, schlitten, protesis parcial",
        OtherSurgery.TOTAL_REPLACEMENT: "tka, tkr, tep, knie tep, protesis total, ptg",
    },
    ComplicationKind: {
        ComplicationKind.DEEP_VEIN_THROMBOSIS: "dvt, thrombosis, tvt, thrombose, tvp",
        ComplicationKind.PULMONARY_EMBOLISM: "pe, lungenembolie, le, tep, embolia pulmonar",
        ComplicationKind.SUPERFICIAL_INFECTION: "superficial wound infection, wundinfekt",
        ComplicationKind.DEEP_INFECTION: "septic arthritis, infection deep, kniegelenksinfekt, "
        "artritis septica",
        ComplicationKind.STIFFNESS: "stiffness, arthrofibrosis, arthrofibrose, rigidez, raideur",
        ComplicationKind.REGIONAL_PAIN: "crps, sudeck, sdrc",
    },
    Severity: {
        Severity.I: "1",
        Severity.II: "2",
        Severity.III: "3, iiia, iiib, 3a, 3b",
        Severity.IV: "4, iva, ivb, 4a, 4b",
        Severity.V: "5",
    },
    FoundBy: {FoundBy.SYMPTOMS: "symptomatic, symptom", FoundBy.SCREENING: "screen, routine"},
    ContactSource: {
        ContactSource.PHONE: "call, telephone, tel, telefon, telefono, telephone call, anruf",
        ContactSource.LETTER: "mail, post, brief, carta, courrier",
        ContactSource.RECORD_CHECK: "records, notes, chart, akte, historia, dossier",
    },
    EndReason: {
        EndReason.WITHDREW: "withdrawn, zuruckgezogen, retirado",
        EndReason.MOVED: "moved away, umgezogen, verzogen, mudado, demenage",
        EndReason.LOST: "ltfu, lost to follow up, verloren, perdido, perdu de vue",
    },
}
# Meniscus and third in one word, built from how each half is called; the commonest ways alone.
PLACE_MENISCUS = {
    "medial": ("mm", "im", "mi", "medial", "med"),
    "lateral": ("lm", "am", "me", "lateral", "lat"),
}
PLACE_THIRD = {
    "anterior": (
        "ah",
        "ant horn",
        "anterior horn",
        "vorderhorn",
        "vh",
        "cuerno anterior",
        "corne anterieure",
    ),
    "middle": ("body", "mid body", "b", "corpus", "pars intermedia", "cuerpo", "corps"),
    "posterior": ("ph", "post horn", "posterior horn", "hinterhorn", "hh", "cuerno posterior"),
    "root": ("pr", "root", "posterior root", "wurzel", "raiz", "racine"),
}


def _places() -> dict[str, str]:
    words: dict[str, str] = {}
    for meniscus, ours in PLACE_MENISCUS.items():
        for third, theirs in PLACE_THIRD.items():
            for one, other in ((one, other) for one in ours for other in theirs):
                for way in (f"{one} {other}", f"{other} {one}", f"{one}{other}", f"{other}{one}"):
                    words[way] = f"{meniscus}_{third}"
            words |= {f"{way} of {word} meniscus": f"{meniscus}_{third}" for way in theirs for word in ours}
            words |= {f"{word} meniscus {way}": f"{meniscus}_{third}" for way in theirs for word in ours}
    return words


PLACE_WORDS = _places()
# Words by the choices of a field: what each leads to.
WORDS: dict[tuple[tuple[str, str], ...], dict[str, str]] = {
    tuple((str(code), str(label)) for code, label in choices.choices): {
        folded(word): str(code) for code, words in said.items() for word in words.split(",")
    }
    for choices, said in _SAID.items()
}
