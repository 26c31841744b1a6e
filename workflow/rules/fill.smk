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
    conda:
        "../../envs/conda.yaml"
    threads: 1
    resources:
        mem_mb=memory_mb(1000, 0.5),
    params:
        settings=settings_of("fill"),
        sheet=sheet_of("fill"),
        code=provenance.code_hash("fill"),
    script:
        "../scripts/fill.py"
