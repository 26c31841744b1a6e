# Nightbay: from a day of raw exports to finished models and a report.
#
# Path grammar, below the day folder:
#   <job>/job.yaml, <job>/raw/...                           what the technician brings; never written to
#   results/<job>/<stage>/<part>.json                       numbers of a stage over a part
#   results/<job>/<stage>/<part>/                           its data files
#   results/<job>/<stage>/<part>.<segment>.json and /       the same for stages over one segment: intake, clean
#   results/<job>/artefact/artefact.json and /              quantities of the scanner, for jobs with calibrated artefacts
#   results/<job>/join/<job>.json and /                     interior joined to exterior, for jobs with both
#   results/<job>/report/<job>.json and /                   the page of a job
#   results/board/board.json and board/index.html           the day board
#   logs/<job>/<stage>/...log   benchmarks/<job>/<stage>/...tsv
from snakemake.utils import min_version

min_version("9.27")


configfile: workflow.source_path("config/config.yaml")


include: "workflow/rules/common.smk"


wildcard_constraints:
    job="|".join(map(re.escape, PLAN.jobs)) or "(?!)",
    part="exterior|interior|artefact",
    segment="[a-z0-9][a-z0-9_-]*",


include: "workflow/rules/intake.smk"
include: "workflow/rules/clean.smk"
include: "workflow/rules/network.smk"
include: "workflow/rules/refine.smk"
include: "workflow/rules/frame.smk"
include: "workflow/rules/fuse.smk"
include: "workflow/rules/fill.smk"
include: "workflow/rules/reduce.smk"
include: "workflow/rules/deliver.smk"
include: "workflow/rules/measure.smk"
include: "workflow/rules/join.smk"
include: "workflow/rules/artefact.smk"
include: "workflow/rules/report.smk"
include: "workflow/rules/board.smk"


rule all:
    default_target: True
    input:
        expand("results/{job}/report/{job}.json", job=PLAN.jobs),
        [
            f"results/{job}/deliver/{part}"
            for job in PLAN.jobs
            for part in PLAN.jobs[job].parts
            if part in stages.VEHICLE
        ],
