# Small gaps closed and marked, openings left open.
rule fill:
    input:
        **inputs_of("fill"),
    output:
        json="results/{job}/fill/{part}.json",
        data=directory("results/{job}/fill/{part}"),
    log:
        "logs/{job}/fill/{part}.log",
    benchmark:
        "benchmarks/{job}/fill/{part}.tsv"
    priority: priority_of("fill")
    retries: RETRIES
    conda:
        "../../envs/conda.yaml"
    threads: 1
    resources:
        **needs_of("fill"),
    params:
        settings=settings_of("fill"),
        sheet=sheet_of("fill"),
        code=provenance.code_hash("fill"),
    script:
        "../scripts/fill.py"
