# All segments of a part fused into one open surface.
rule fuse:
    input:
        **inputs_of("fuse"),
    output:
        json="results/{job}/fuse/{part}.json",
        data=directory("results/{job}/fuse/{part}"),
    log:
        "logs/{job}/fuse/{part}.log",
    benchmark:
        "benchmarks/{job}/fuse/{part}.tsv"
    priority: priority_of("fuse")
    retries: RETRIES
    conda:
        "../../envs/conda.yaml"
    threads: processors
    resources:
        **needs_of("fuse"),
    params:
        settings=settings_of("fuse"),
        sheet=sheet_of("fuse"),
        code=provenance.code_hash("fuse"),
    script:
        "../scripts/fuse.py"
