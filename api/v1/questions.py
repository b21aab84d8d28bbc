"""Questions about a return: a coordinator asks, the household answers."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.base import Resource
from api.fields import ShortText, StrictSerializer
from api.permissions import rule
from surveys.permissions import Rule, account_of
from surveys.services.questions import MOST_LETTERS, answer_question, ask_household
from surveys.vocabulary import TokenScope


class QuestionIn(StrictSerializer):
    """A question for the household. No names of people."""

    text = ShortText(longest=MOST_LETTERS)


class AnswerToQuestionIn(StrictSerializer):
    """The answer of the household. It is given once."""

    text = ShortText(longest=MOST_LETTERS)


class QuestionOut(serializers.Serializer[Any]):
    """A question and its answer."""

    number = serializers.IntegerField()
    text = serializers.CharField()
    asked_at = serializers.DateTimeField()
    answer = serializers.CharField(allow_blank=True)
    answered_at = serializers.DateTimeField(allow_null=True)


def question_shown(question: Any) -> dict[str, Any]:
    """Return a question as it is answered: nobody is named."""
    return {
        "number": question.pk,
        "text": question.text,
        "asked_at": question.asked_at.isoformat(),
        "answer": question.answer,
        "answered_at": question.answered_at.isoformat() if question.answered_at else None,
    }


class Questions(Resource):
    """Asking the household about a return that waits."""

    permission_classes = [rule(Rule.COORDINATOR)]
    scope = TokenScope.DESK

    @extend_schema(operation_id="ask_household", request=QuestionIn, responses={201: QuestionOut}, tags=["review"])
    def post(self, request: Request, uuid: UUID) -> Response:
        given = QuestionIn(data=request.data)
        given.is_valid(raise_exception=True)
        question = ask_household(by=account_of(request.user), uuid=uuid, text=given.validated_data["text"])
        return Response(question_shown(question), 201)


class AnswerToQuestion(Resource):
    """Answering a question about one's own return."""

    permission_classes = [rule(Rule.SIGNED_IN)]
    scope = TokenScope.SEND

    @extend_schema(operation_id="answer_question", request=AnswerToQuestionIn, responses=QuestionOut, tags=["returns"])
    def post(self, request: Request, uuid: UUID, question: int) -> Response:
        given = AnswerToQuestionIn(data=request.data)
        given.is_valid(raise_exception=True)
        answered = answer_question(
            by=account_of(request.user), uuid=uuid, question=question, text=given.validated_data["text"]
        )
        return Response(question_shown(answered))
