# The page of a job, from every JSON that its stages left, rejected ones too.
rule report:
    input:
        **inputs_of("report"),
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
