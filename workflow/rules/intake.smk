# One raw export read, checked and sorted into a working cloud. The raw file stands in params by its hash and not in
# input: a missing one must reject its job and not stop the day, and touching one must rerun nothing.
rule intake:
    output:
        json="results/{job}/intake/{part}.{segment}.json",
        data=directory("results/{job}/intake/{part}.{segment}"),
    log:
        "logs/{job}/intake/{part}.{segment}.log",
    benchmark:
        "benchmarks/{job}/intake/{part}.{segment}.tsv"
    priority: priority_of("intake")
    retries: RETRIES
    conda:
        "../../envs/conda.yaml"
    threads: 1
    resources:
        **needs_of("intake"),
    params:
        settings=settings_of("intake"),
        sheet=sheet_of("intake"),
        code=provenance.code_hash("intake"),
    script:
        "../scripts/intake.py"
