# Dimensions, sections and symmetry.
rule measure:
    input:
        **inputs_of("measure"),
    output:
        json="results/{job}/measure/{part}.json",
        data=directory("results/{job}/measure/{part}"),
    log:
        "logs/{job}/measure/{part}.log",
    benchmark:
        "benchmarks/{job}/measure/{part}.tsv"
    priority: priority_of("measure")
    retries: RETRIES
    conda:
        "../../envs/conda.yaml"
    threads: 1
    resources:
        **needs_of("measure"),
    params:
        settings=settings_of("measure"),
        sheet=sheet_of("measure"),
        code=provenance.code_hash("measure"),
    script:
        "../scripts/measure.py"
