"""POST /plans as DESIGN.md has it."""

from api.plan_shapes import EXAMPLE


def test_the_example_of_the_document_is_planned(calculator):
    answer = calculator.post("/plans", EXAMPLE, key=False)
    assert answer.status_code == 200, answer.content
    plan = answer.json()
    print(answer.content.decode())
    assert plan["score"]["unresolved"] == 0
