# The page of a job, from every JSON that its stages left, rejected ones too.
SEGMENT_STAGES = ("intake", "clean")
PART_STAGES = ("network", "refine", "frame", "fuse", "fill", "reduce", "deliver", "measure")


def segment_results(stage):
    """Input function: the JSON of a stage for every segment of every part of the job."""
    return lambda wildcards: [
        f"results/{wildcards.job}/{stage}/{name}.{segment}.json"
        for name, part in PLAN.jobs[wildcards.job].parts.items()
        for segment in part.segments
    ]


def part_results(stage):
    """Input function: the JSON of a stage for every part of the job."""
    return lambda wildcards: [
        f"results/{wildcards.job}/{stage}/{part}.json" for part in PLAN.jobs[wildcards.job].parts
    ]


rule report:
    input:
        **{stage: segment_results(stage) for stage in SEGMENT_STAGES},
        **{stage: part_results(stage) for stage in PART_STAGES},
        **{f"{stage}_data": ancient(data_of(part_results(stage))) for stage in PART_STAGES},
    output:
        json="results/{job}/report/{job}.json",
        data=directory("results/{job}/report/{job}"),
    log:
        "logs/{job}/report/{job}.log",
    benchmark:
        "benchmarks/{job}/report/{job}.tsv"
    conda:
        "../../envs/conda.yaml"
    threads: 1
    resources:
        mem_mb=memory_mb(1500, 1),
    params:
        settings=settings_of("report"),
        sheet=sheet_of("report"),
        code=provenance.code_hash("report"),
    script:
        "../scripts/report.py"
