from django.urls import path

from shopkb.procedures.views import browse, desk, paper_form, picture_upload, publication, safety_words

app_name = "procedures"
urlpatterns = [
    path("", browse.procedure_list, name="list"),
    path("new/", publication.new_from_text, name="new"),
    path("new/desk/", desk.new_procedure, name="desk-new"),
    path("preview/", desk.preview, name="desk-preview"),
    path("safety-words/", safety_words.safety_words_page, name="safety-words"),
    path("safety-words/<int:pk>/", safety_words.proposal_page, name="proposal"),
    path("safety-words/<int:pk>/confirm/", safety_words.confirm, name="confirm-words"),
    path("safety-words/<int:pk>/refuse/", safety_words.refuse, name="refuse-words"),
    path("safety-words/<int:pk>/take-back/", safety_words.take_back, name="take-back-words"),
    path("safety-words/<slug:kind>/<path:key>/", safety_words.wordings_page, name="wordings"),
    path("pictures/<str:name>", picture_upload.picture, name="picture"),
    path("<slug:key>/", browse.procedure_page, name="procedure"),
    path("<slug:key>/<int:number>/", browse.revision_page, name="revision"),
    path("<slug:key>/<int:number>/steps/<slug:step>/", browse.step_page, name="step"),
    path("<slug:key>/<int:number>/chart.<slug:form>", browse.chart_file, name="chart"),
    path("<slug:key>/<int:number>/file", browse.procedure_file, name="file"),
    path("<slug:key>/<int:number>/paper/", paper_form.paper_form, name="paper"),
    path("<slug:key>/<int:number>/desk/", desk.desk, name="desk"),
    path("<slug:key>/<int:number>/desk/act/", desk.act, name="desk-act"),
    path("<slug:key>/<int:number>/desk/chart/", desk.chart, name="desk-chart"),
    path("<slug:key>/<int:number>/desk/picture/", picture_upload.add_picture, name="desk-picture"),
    path("<slug:key>/<int:number>/desk/undo/", desk.undo, name="desk-undo"),
    path("<slug:key>/<int:number>/desk/cause/", desk.cause_picker, name="desk-cause"),
    path("<slug:key>/<int:number>/remarks/", desk.remarks, name="remarks"),
    path("<slug:key>/<int:number>/remarks/say/", desk.remark, name="remark"),
    path("<slug:key>/<int:number>/against/<int:other>/", desk.compared, name="compared"),
    path("<slug:key>/<int:number>/text/", publication.edit_text, name="text"),
    path("<slug:key>/<int:number>/draft/", publication.new_draft, name="draft"),
    path("<slug:key>/<int:number>/review/", publication.ask_for_review, name="review"),
    path("<slug:key>/<int:number>/back/", publication.send_back, name="send-back"),
    path("<slug:key>/<int:number>/publish/", publication.publish, name="publish"),
    path("<slug:key>/<int:number>/withdraw/", publication.withdraw, name="withdraw"),
]
