# Files in open formats with their checksums.
rule deliver:
    input:
        **inputs_of("deliver"),
    output:
        json="results/{job}/deliver/{part}.json",
        data=directory("results/{job}/deliver/{part}"),
    log:
        "logs/{job}/deliver/{part}.log",
    benchmark:
        "benchmarks/{job}/deliver/{part}.tsv"
    priority: priority_of("deliver")
    retries: RETRIES
    conda:
        "../../envs/conda.yaml"
    threads: 1
    resources:
        **needs_of("deliver"),
    params:
        settings=settings_of("deliver"),
        sheet=sheet_of("deliver"),
        code=provenance.code_hash("deliver"),
    script:
        "../scripts/deliver.py"
