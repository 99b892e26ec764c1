from django.urls import path

from shopkb.jobs.views import close, follow, pass_on, take_in

app_name = "jobs"
urlpatterns = [
    path("", take_in.job_list, name="list"),
    path("new/", take_in.new_job, name="new"),
    path("<int:pk>/", take_in.job_page, name="job"),
    path("<int:pk>/complaint/", take_in.note_complaint, name="complaint"),
    path("<int:pk>/start/<slug:procedure>/", follow.start, name="start"),
    path("<int:pk>/repair/", close.repair, name="repair"),
    path("<int:pk>/close/", close.close, name="close"),
    path("<int:pk>/reopen/", close.reopen, name="reopen"),
    path("<int:pk>/write-up/", close.write_up, name="write-up"),
    path("repairs/<int:pk>/verify/", close.verify, name="verify"),
    path("runs/<int:pk>/", follow.run_page, name="run"),
    path("runs/<int:pk>/chart/", close.run_chart, name="chart"),
    path("runs/<int:pk>/meter/", follow.choose_meter, name="meter"),
    path("runs/<int:pk>/take-over/", pass_on.take_over, name="take-over"),
    path("<int:pk>/photos/new/", pass_on.add_photo, name="add-photo"),
    path("photos/<str:name>", pass_on.photo, name="photo"),
    path("hand-overs/<int:pk>/", pass_on.accept, name="accept"),
    path("runs/<int:pk>/hand-over/", pass_on.hand_over, name="hand-over"),
    path("runs/<int:pk>/put-back/", pass_on.put_back, name="put-back"),
    path("runs/<int:pk>/undo/<int:result>/", pass_on.undo, name="undo"),
    path("runs/<int:pk>/steps/<slug:step>/danger/", pass_on.pass_danger, name="danger"),
    path("runs/<int:pk>/more/", follow.more, name="more"),
    path("runs/<int:pk>/stop/", follow.stop, name="stop"),
    path("runs/<int:pk>/move/", follow.move, name="move"),
    path("runs/<int:pk>/values/<slug:key>/", follow.value, name="value"),
    path("runs/<int:pk>/steps/<slug:step>/", follow.step_page, name="step"),
    path("runs/<int:pk>/steps/<slug:step>/answer/", follow.answer, name="answer"),
    path("runs/<int:pk>/steps/<slug:step>/skip/", follow.skip, name="skip"),
]
