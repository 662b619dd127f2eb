"""What the pages of releases caution of, before anything leaves and on what has left."""

CAUTIONS = (
    "A release needs a stated purpose and the reference of its approval. Local information-governance rules "
    "apply beside what stands here.",
    "Re-identification is forbidden, and a data use agreement still matters: classes of people alike do not "
    "stop somebody who knows a rare clinical fact.",
    "Only patients who gave research permission are read. Names, numbers, dates, free text and implant lots "
    "cannot be chosen: they never leave.",
)
ONCE_OUT = (
    "What was handed over cannot be fetched back. A recall closes the download and tells so in the ledger; "
    "ask the recipient to delete every copy."
)
