# Levels of detail, each with its measured deviation from the full surface.
rule reduce:
    input:
        **inputs_of("reduce"),
    output:
        json="results/{job}/reduce/{part}.json",
        data=directory("results/{job}/reduce/{part}"),
    log:
        "logs/{job}/reduce/{part}.log",
    benchmark:
        "benchmarks/{job}/reduce/{part}.tsv"
    priority: priority_of("reduce")
    retries: RETRIES
    conda:
        "../../envs/conda.yaml"
    threads: 1
    resources:
        **needs_of("reduce"),
    params:
        settings=settings_of("reduce"),
        sheet=sheet_of("reduce"),
        code=provenance.code_hash("reduce"),
    script:
        "../scripts/reduce.py"
