# Poses improved by surface overlap, kept only where they are better.
rule refine:
    input:
        **inputs_of("refine"),
    output:
        json="results/{job}/refine/{part}.json",
        data=directory("results/{job}/refine/{part}"),
    log:
        "logs/{job}/refine/{part}.log",
    benchmark:
        "benchmarks/{job}/refine/{part}.tsv"
    priority: priority_of("refine")
    retries: RETRIES
    conda:
        "../../envs/conda.yaml"
    threads: 1
    resources:
        **needs_of("refine"),
    params:
        settings=settings_of("refine"),
        sheet=sheet_of("refine"),
        code=provenance.code_hash("refine"),
    script:
        "../scripts/refine.py"
